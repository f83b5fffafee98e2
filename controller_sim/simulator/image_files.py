"""Images of a chip as files: raw bytes, or Intel HEX where the name ends in .hex."""

from __future__ import annotations

from pathlib import Path

from controller_sim.simulator.errors import SimulatorError

MOST_BYTES = 1 << 16
_FILE_BYTES = 1 << 20
_LINE_BYTES = 16
_DATA, _END = 0, 1
_EXTENDED = (2, 4)
"""Records that move the addresses that follow; an image needs them only to say that it begins at 0."""
_STARTS = (3, 5)
"""Records that say where a program starts; an image has none."""


def read_image(path: str | Path) -> bytes:
    """The bytes of an image file, in Intel HEX from address 0 to the last one given, 0xFF between.

    Raises SimulatorError for what is no image of at most 64 KiB, and OSError.
    """
    with open(path, "rb") as stream:
        data = stream.read(_FILE_BYTES)
    if Path(path).suffix.lower() == ".hex":
        data = from_intel_hex(data.decode("ascii", errors="replace"), str(path))
    if not data:
        raise SimulatorError(f"{path}: the image is empty")
    if len(data) > MOST_BYTES:
        raise SimulatorError(f"{path}: the image has more than {MOST_BYTES} bytes")
    return data


def write_image(path: str | Path, image: bytes) -> None:
    """Write an image file in the format that its name asks for. Raises OSError."""
    if Path(path).suffix.lower() == ".hex":
        Path(path).write_bytes(to_intel_hex(image).encode("ascii"))
    else:
        Path(path).write_bytes(image)


def to_intel_hex(image: bytes) -> str:
    """An image of at most 64 KiB as Intel HEX: data records of 16 bytes from address 0 on, then the end record."""
    records = [_record(at, _DATA, image[at : at + _LINE_BYTES]) for at in range(0, len(image), _LINE_BYTES)]
    return "".join([*records, _record(0, _END, b"")])


def _record(address: int, kind: int, data: bytes) -> str:
    body = bytes((len(data), *address.to_bytes(2, "big"), kind)) + data
    return f":{body.hex().upper()}{-sum(body) & 255:02X}\n"


def from_intel_hex(text: str, file: str) -> bytes:
    """The bytes from address 0 on; `file` is the name for errors. Raises SimulatorError with the line."""
    image = bytearray()
    for number, line in enumerate(text.splitlines(), 1):
        record = line.strip()
        if not record:
            continue
        address, kind, data = _parse(record, f"{file}:{number}")
        if kind == _END:
            return bytes(image)
        if kind in _EXTENDED and any(data):
            raise SimulatorError(f"{file}:{number}: this record lies beyond the {MOST_BYTES} bytes that an image can have")
        if kind == _DATA:
            end = address + len(data)
            image += b"\xff" * (end - len(image))
            image[address:end] = data
        elif kind not in _EXTENDED + _STARTS:
            raise SimulatorError(f"{file}:{number}: there is no record type {kind:02X} in Intel HEX")
    raise SimulatorError(f"{file}: the end record ':00000001FF' is missing, so the file is not whole")


def _parse(record: str, where: str) -> tuple[int, int, bytes]:
    try:
        body = bytes.fromhex(record[1:]) if record.startswith(":") and " " not in record else b""
    except ValueError:
        body = b""
    if len(body) < 5 or len(body) != body[0] + 5:
        raise SimulatorError(f"{where}: this is no record of Intel HEX, such as ':00000001FF'")
    if sum(body) & 255:
        raise SimulatorError(f"{where}: the record's checksum is wrong: {-sum(body[:-1]) & 255:02X} is right for these bytes")
    return int.from_bytes(body[1:3], "big"), body[3], body[4:-1]
