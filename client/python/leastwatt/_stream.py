"""A session that outlives its connection."""

import random
import threading
import time
from collections import deque

import grpc

from ._contract import messages, rpc
from ._plan import Plan

FIRST_DELAY_S = 0.02
MAX_DELAY_S = 2.0


class Lost(grpc.RpcError):
    """The server ended the stream before every slot was answered."""

    def __init__(self, reason):
        super().__init__(reason)
        self._reason = reason

    def code(self):
        return grpc.StatusCode.UNAVAILABLE

    def details(self):
        return self._reason

    def trailing_metadata(self):
        return ()


class Stream:
    """Iterator over the plans of slots.

    connect(requests) opens a stream of gRPC on an iterator of serialized requests;
    open is the message that opens the session, kept as it stands.

    Three threads meet here: the caller's takes plans and opens streams; gRPC's, one
    for each stream, sends slots and reads the caller's iterable, one at a time.
    """

    def __init__(self, connect, slots, open_message, backlog, give_up_after):
        self._connect = connect
        self._slots = iter(slots)
        self._open = open_message
        self._backlog = max(1, backlog)
        self._give_up_after = give_up_after
        self._call = None  # None while there is no stream
        self._lost_at = None  # None once something is answered
        self._failures = 0  # since then

        self._reading = threading.Lock()  # held while the iterable is read
        self._last_read = open_message.resume_after_sequence if open_message.HasField("resume_after_sequence") else None

        self._changed = threading.Condition()  # guards what follows
        self._pending = deque()  # slots not answered: number, serialized request
        self._sent = 0  # how many of them are with the stream
        self._opens = 0  # how many streams were opened: which one a thread serves
        self._exhausted = False  # the iterable has no more
        self._fault = None  # what the iterable raised

    def __iter__(self):
        return self

    def __next__(self):
        while True:
            if self._call is None:
                self._reconnect()
            try:
                plan = self._take(next(self._call))
            except StopIteration:
                if self._done():
                    self.close()
                    if self._fault is not None:
                        raise self._fault
                    raise
                self._lose(Lost("the server ended the stream"))
            except grpc.RpcError as error:
                self._lose(error)
            else:
                if plan is not None:
                    return plan

    def close(self):
        """Abandons the session."""
        with self._changed:
            self._opens += 1
            self._exhausted = True
            self._changed.notify_all()
        if self._call is not None:
            self._call.cancel()

    def _done(self):
        with self._changed:
            return self._exhausted and not self._pending

    def _reconnect(self):
        """Opens a stream, on which everything not answered is sent again."""
        with self._changed:
            self._opens += 1
            self._sent = 0
            mine = self._opens
            self._changed.notify_all()
        request = messages.StreamSlotsRequest(open=self._open).SerializeToString()
        self._call = self._connect(self._requests(mine, request))

    def _lose(self, error):
        """Gives a stream up and waits until another may be opened, or raises the error."""
        self._call = None
        now = time.monotonic()
        if self._lost_at is None:
            self._lost_at = now
        if not passing(error) or now - self._lost_at > self._give_up_after:
            raise error
        delay = min(MAX_DELAY_S, FIRST_DELAY_S * 2 ** min(self._failures, 20))
        self._failures += 1
        time.sleep(delay * random.uniform(0.5, 1.0))

    def _take(self, response):
        """Returns the plan in a response; None where it holds none."""
        kind = response.WhichOneof("kind")
        if kind == "opened":
            self._open.session_id = response.opened.session_id
            return None
        if kind == "plan":
            return self._answered(response.plan)
        if kind == "dropped":
            return self._answered(messages.Plan(sequence=response.dropped.sequence, status="PLAN_STATUS_DROPPED"))
        if kind == "closing":
            if response.closing.session_state:
                self._open.session_state = response.closing.session_state
            raise Lost(response.closing.reason)
        raise RuntimeError(f"the server sends {kind}")

    def _answered(self, plan):
        with self._changed:
            if not self._pending or self._pending[0][0] != plan.sequence:
                raise RuntimeError(f"the server answers slot {plan.sequence}, which is not the next")
            self._pending.popleft()
            self._sent -= 1
            self._changed.notify_all()
        self._lost_at, self._failures = None, 0
        if not self._open.HasField("resume_after_sequence") or plan.sequence > self._open.resume_after_sequence:
            self._open.resume_after_sequence = plan.sequence
        if plan.session_state:
            self._open.session_state = plan.session_state
        return Plan(plan)

    def _requests(self, mine, first):
        """Yields what goes to the stream of this number, until another takes over."""
        yield first
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._opens != mine or self._sent < len(self._pending) or self._may_read())
                if self._opens != mine:
                    return
                if self._sent < len(self._pending):
                    request = self._pending[self._sent][1]
                    self._sent += 1
                elif self._exhausted:
                    return
                else:
                    request = None
            if request is not None:
                yield request
            else:
                self._read(mine)

    def _may_read(self):
        return self._exhausted or len(self._pending) < self._backlog

    def _read(self, mine):
        """Takes one slot from the iterable, unless somebody else has meanwhile."""
        with self._reading:
            with self._changed:
                if self._opens != mine or self._sent < len(self._pending) or self._exhausted:
                    return
            number = request = fault = None
            try:
                number, request = self._number(next(self._slots))
            except StopIteration:
                pass
            except BaseException as error:  # the caller's: raised where plans are taken
                fault = error
            with self._changed:
                if request is None:
                    self._exhausted, self._fault = True, fault
                elif not self._exhausted:
                    self._pending.append((number, request))
                self._changed.notify_all()

    def _number(self, slot):
        """Returns the number of a slot and its request, serialized: the caller may alter the slot after."""
        request = messages.StreamSlotsRequest(slot=slot)
        if slot.sequence == 0 and self._last_read is not None:
            request.slot.sequence = self._last_read + 1
        number = request.slot.sequence
        self._last_read = number if self._last_read is None else max(number, self._last_read)
        return number, request.SerializeToString()


def passing(error):
    """Whether what ended a stream may be over when it is opened anew."""
    code = error.code()
    if code in (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.ABORTED):
        return True
    reasons = [info.reason for info in details(error, "ErrorInfo") if info.domain == "leastwatt"]
    if code == grpc.StatusCode.RESOURCE_EXHAUSTED:
        return "LIMIT_REACHED" in reasons
    return code == grpc.StatusCode.INTERNAL and not reasons  # a stream cut off


def details(error, name):
    """Returns the details of an error that are messages google.rpc.NAME."""
    found = []
    for key, value in error.trailing_metadata() or ():
        if key == "grpc-status-details-bin":
            for any_message in rpc.Status.FromString(value).details:
                if any_message.type_url == "type.googleapis.com/google.rpc." + name:
                    found.append(getattr(rpc, name).FromString(any_message.value))
    return found
