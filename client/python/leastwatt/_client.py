"""The connection to a server."""

import ipaddress

import grpc

from ._contract import SERVICE, messages, options_message
from ._plan import Plan, Violation
from ._slot import channel_message
from ._stream import Stream, details

_METHODS = ("ScheduleSlot", "AuditPlan", "ListStrategies")


class RejectedError(ValueError):
    """Bad input, refused by the server; violations is a list of Violation."""

    def __init__(self, text, violations):
        super().__init__(text)
        self.violations = violations


class Client:
    """A connection to a server; it may be shared between threads.

    target: address of the server, host:port, or any target of gRPC.
    ca: file with the authorities that may vouch for the server, PEM; implies TLS.
    cert, key: files with what the client shows of itself, PEM; imply TLS.
    tls: use TLS with gRPC's own authorities where there is no ca.
    server_name: name that the server's certificate must hold; None: the target's.
    token, token_file: bearer token that goes with every call, or a file whose
        first line holds it, read for every call. Without TLS it goes to this
        machine only.
    max_message_bytes: largest message received.
    options: more options of the gRPC channel, a list of pairs.
    """

    def __init__(
        self,
        target="127.0.0.1:7171",
        *,
        ca=None,
        cert=None,
        key=None,
        tls=False,
        server_name=None,
        token=None,
        token_file=None,
        max_message_bytes=64 << 20,
        options=(),
    ):
        private = bool(tls or ca or cert)
        if bool(cert) != bool(key):
            raise ValueError("cert and key go together")
        if server_name and not private:
            raise ValueError("server_name without TLS")
        if (token or token_file) and not private and not _local(target):
            raise ValueError(f"a token goes to {target} with TLS only")
        self._token, self._token_file = token, token_file
        self._metadata()  # a file that cannot be read is told of here
        settings = [
            ("grpc.max_receive_message_length", max_message_bytes),
            ("grpc.max_send_message_length", -1),
            ("grpc.keepalive_time_ms", 20_000),
            ("grpc.keepalive_timeout_ms", 10_000),
            ("grpc.initial_reconnect_backoff_ms", 100),
            ("grpc.min_reconnect_backoff_ms", 5_000),
            ("grpc.max_reconnect_backoff_ms", 2_000),
        ]
        if server_name:
            settings.append(("grpc.ssl_target_name_override", server_name))
        settings.extend(options)
        if private:
            credentials = grpc.ssl_channel_credentials(*(_read(name) for name in (ca, key, cert)))
            self._channel = grpc.secure_channel(target, credentials, settings)
        else:
            self._channel = grpc.insecure_channel(target, settings)
        self._calls = {
            name: self._channel.unary_unary(
                SERVICE + name,
                request_serializer=lambda message: message.SerializeToString(),
                response_deserializer=getattr(messages, name + "Response").FromString,
            )
            for name in _METHODS
        }
        self._open_stream = self._channel.stream_stream(
            SERVICE + "StreamSlots",
            request_serializer=None,  # of bytes
            response_deserializer=messages.StreamSlotsResponse.FromString,
        )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def close(self):
        """Ends the connection and every stream on it."""
        self._channel.close()

    def schedule(self, slot, timeout=None):
        """Returns the Plan of one slot, a message made by leastwatt.slot.

        timeout is in seconds. Raises RejectedError for bad input, grpc.RpcError
        where the call fails.
        """
        return Plan(self._call("ScheduleSlot", messages.ScheduleSlotRequest(slot=slot), timeout).plan)

    def audit(self, slot, plan, true_channel=None, timeout=None):
        """Returns the server's independent re-computation of a Plan with weights.

        true_channel is the channel as it truly was, as slot takes one; None: the
        slot's own. The answer is a message Audit: agrees, findings, radiated_power_w,
        over_floor_db and so on, as in plan.proto.
        """
        channel = None if true_channel is None else channel_message(true_channel)
        request = messages.AuditPlanRequest(slot=slot, plan=plan.message, true_channel=channel)
        return self._call("AuditPlan", request, timeout).audit

    def strategies(self, timeout=None):
        """Returns what options may hold: dict of kind to {name: what it does in one sentence}."""
        answer = self._call("ListStrategies", messages.ListStrategiesRequest(), timeout)
        return {
            field.name: {info.name: info.summary for info in getattr(answer, field.name)}
            for field in answer.DESCRIPTOR.fields
        }

    def stream(
        self,
        slots,
        *,
        cell_id="",
        session_id="",
        options=None,
        newest_wins=False,
        resume_after=None,
        session_state=b"",
        memory=True,
        backlog=64,
        give_up_after=60.0,
    ):
        """Plans slots in one session: yields one Plan for each, in order.

        slots is an iterable of messages made by leastwatt.slot. It is read ahead in
        a thread of its own, and no further than backlog slots beyond the last plan
        taken; a queue makes it as slow as it need be: iter(queue.get, None). Numbers
        of slots rise; a slot numbered 0 takes the one after the last.

        A connection that is lost is made anew, to any server, with pauses that
        double from 20 ms to 2 s, and what has no plan yet is sent again: every slot
        is answered once. After give_up_after seconds without an answer the last
        error is raised.

        cell_id, session_id: names for the server's logs and metrics.
        options: dict of the fields of Options, of slots that bring none.
        newest_wins: a slot that waits is dropped when a newer one arrives, and its
            plan is one of status DROPPED.
        resume_after, session_state: go on where another stream ended, after this
            slot, with the session_state of its last plan.
        memory: every plan carries session_state, with which a lost connection is
            made anew. Without, a session starts afresh then.

        A bad slot gives a plan of status REJECTED and the stream goes on. Options
        that the server refuses raise RejectedError.
        """
        stream = Stream(
            lambda requests: self._open_stream(requests, metadata=self._metadata()),
            slots,
            messages.OpenSession(
                cell_id=cell_id,
                session_id=session_id,
                options=options_message(options) if options else None,
                late_slot_policy="LATE_SLOT_POLICY_NEWEST_WINS" if newest_wins else None,
                resume_after_sequence=resume_after,
                session_state=session_state,
                want_session_state=memory,
            ),
            backlog,
            give_up_after,
        )
        try:
            yield from stream
        except grpc.RpcError as error:
            raise _rejected(error) from None
        finally:
            stream.close()

    def _call(self, name, request, timeout):
        try:
            return self._calls[name](request, timeout=timeout, metadata=self._metadata())
        except grpc.RpcError as error:
            raise _rejected(error) from None

    def _metadata(self):
        token = self._token
        if self._token_file:
            with open(self._token_file, encoding="ascii") as file:
                token = file.readline().strip()
            if not token:
                raise ValueError(f"{self._token_file}: no token on the first line")
        return (("authorization", "Bearer " + token),) if token else ()


def _read(name):
    """Returns what a file holds; None for no file."""
    if not name:
        return None
    with open(name, "rb") as file:
        return file.read()


def _local(target):
    """Whether a target names this machine."""
    if target.startswith(("unix:", "unix-abstract:")):
        return True
    host = target.removeprefix("dns:///").rpartition(":")[0].strip("[]")
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:  # another name
        return False


def _rejected(error):
    """Returns a RejectedError for bad input, and any other error as it is."""
    if error.code() != grpc.StatusCode.INVALID_ARGUMENT:
        return error
    violations = []
    for bad in details(error, "BadRequest"):
        for v in bad.field_violations:
            value, _, allowed = v.description.rpartition("; allowed: ")
            violations.append(Violation(v.field, value, allowed))
    return RejectedError(error.details(), violations)
