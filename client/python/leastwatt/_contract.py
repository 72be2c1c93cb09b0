"""The contract's messages, made from its descriptor set: no generated code."""

from pathlib import Path
from types import SimpleNamespace

from google.protobuf import any_pb2, descriptor_pb2, descriptor_pool, message_factory, timestamp_pb2

SERVICE = "/leastwatt.v1.SlotSchedulerService/"


def _rpc_file():
    """What is needed of google.rpc, for the details of errors."""
    field = descriptor_pb2.FieldDescriptorProto
    string = dict(type=field.TYPE_STRING, label=field.LABEL_OPTIONAL)
    many = dict(type=field.TYPE_MESSAGE, label=field.LABEL_REPEATED)
    return descriptor_pb2.FileDescriptorProto(
        name="google/rpc/status.proto",
        package="google.rpc",
        syntax="proto3",
        dependency=["google/protobuf/any.proto"],
        message_type=[
            dict(name="Status", field=[dict(name="details", number=3, type_name=".google.protobuf.Any", **many)]),
            dict(name="ErrorInfo", field=[dict(name="reason", number=1, **string), dict(name="domain", number=2, **string)]),
            dict(
                name="BadRequest",
                field=[dict(name="field_violations", number=1, type_name=".google.rpc.BadRequest.FieldViolation", **many)],
                nested_type=[
                    dict(
                        name="FieldViolation",
                        field=[dict(name="field", number=1, **string), dict(name="description", number=2, **string)],
                    )
                ],
            ),
        ],
    )


def _load():
    """Returns the messages of the contract and of google.rpc, by short name."""
    pool = descriptor_pool.DescriptorPool()
    for module in (any_pb2, timestamp_pb2):
        pool.AddSerializedFile(module.DESCRIPTOR.serialized_pb)
    pool.AddSerializedFile(_rpc_file().SerializeToString())
    contract = descriptor_pb2.FileDescriptorSet.FromString(Path(__file__).with_name("leastwatt.binpb").read_bytes())
    for file in contract.file:
        if not file.name.startswith("google/"):
            pool.AddSerializedFile(file.SerializeToString())

    def make(name):
        descriptor = pool.FindMessageTypeByName(name)
        if hasattr(message_factory, "GetMessageClass"):
            return message_factory.GetMessageClass(descriptor)
        return message_factory.MessageFactory(pool).GetPrototype(descriptor)  # protobuf before 4.22

    ours = {
        message.name: make(f"{file.package}.{message.name}")
        for file in contract.file
        if file.package == "leastwatt.v1"
        for message in file.message_type
    }
    rpc = {name: make("google.rpc." + name) for name in ("Status", "ErrorInfo", "BadRequest")}
    return SimpleNamespace(**ours), SimpleNamespace(**rpc)


messages, rpc = _load()


def plan_status(number):
    """Name of a status without its prefix: MET, SHORT, REJECTED, DROPPED or FAILED."""
    values = messages.Plan.DESCRIPTOR.fields_by_name["status"].enum_type.values_by_number
    return values[number].name.replace("PLAN_STATUS_", "") if number in values else str(number)


def options_message(options):
    """Returns Options from a dict of its fields; weights may be "none", "f64", "f32" or "i16"."""
    options = dict(options or {})
    weights = options.get("weights")
    if isinstance(weights, str) and not weights.startswith("WEIGHT_FORMAT_"):
        options["weights"] = "WEIGHT_FORMAT_" + weights.upper()
    return messages.Options(**options)
