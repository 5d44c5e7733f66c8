"""The delivered files, kept compressed and untouched: the records can be made anew from them alone."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from farmwatch.store import Farm, StoreError
from farmwatch.store.files import one_line, replace_file

_NAME = re.compile(r"(\d{8})-([0-9a-f]{16})-(.+)\.zst", re.DOTALL)
_NAME_BYTES = 200


@dataclass(frozen=True, order=True)
class Delivery:
    """A kept file: its place in the order of taking, the start of the SHA-256 of its content, its name."""

    number: int
    digest: str
    name: str
    path: Path

    def read(self) -> bytes:
        """The file as it was delivered. Raises :class:`StoreError`."""
        try:
            with pa.input_stream(str(self.path), compression="zstd") as stream:
                data = bytes(stream.read())
        except (pa.ArrowException, OSError) as error:
            raise StoreError(f"{self.path}: cannot be read: {one_line(error)}") from None
        if digest_of(data) != self.digest:
            raise StoreError(f"{self.path}: is not what was delivered: its checksum differs")
        return data


def digest_of(data: bytes) -> str:
    """What tells one content from another: the first 16 hex digits of its SHA-256."""
    return hashlib.sha256(data).hexdigest()[:16]


def kept(farm: Farm) -> list[Delivery]:
    """All deliveries in the order in which they were taken."""
    found = []
    for path in farm.deliveries.iterdir() if farm.deliveries.is_dir() else ():
        match = _NAME.fullmatch(path.name)
        if match:
            found.append(Delivery(int(match[1]), match[2], match[3], path))
    return sorted(found)


def pack(data: bytes) -> bytes:
    """``data`` compressed, in the frame that any Zstandard program reads."""
    return bytes(pa.Codec("zstd", compression_level=1).compress(data, asbytes=True))


def keep(farm: Farm, number: int, digest: str, name: str, packed: bytes) -> None:
    """Keep one taken file."""
    path = farm.deliveries / f"{number:08d}-{digest}-{short_name(name)}.zst"
    replace_file(path, farm.drafts, lambda stream: stream.write(packed))


def short_name(name: str) -> str:
    """``name`` short enough to be part of a file's name, its table and format still readable from it."""
    data = name.encode("utf-8", "backslashreplace").replace(b"/", b"_")
    if len(data) > _NAME_BYTES:
        data = data[: _NAME_BYTES - 20] + data[-20:]
    return data.decode("utf-8", "ignore")
