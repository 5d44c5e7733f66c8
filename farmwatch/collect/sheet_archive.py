"""A spreadsheet and its map as one delivery: a plain archive of the two as they are, not packed.

The records can be made anew from it, and any program that knows ZIP gets the file back untouched.
"""

from __future__ import annotations

import io
import re
import zipfile

from farmwatch.collect.raw import Unreadable

SUFFIX = ".mapped.zip"
MAP_NAME = "map.toml"
_FOLDER = "file/"
_ALWAYS = (1980, 1, 1, 0, 0, 0)  # the same file and map make the same archive


def original_name(name: str) -> str:
    """The name of the file as it came, from that of its delivery."""
    return name.removesuffix(SUFFIX).partition(".")[2] if name.endswith(SUFFIX) else name


def bundle(name: str, data: bytes, map_data: bytes) -> bytes:
    """A file and its map in one archive, both as they are."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo(MAP_NAME, _ALWAYS), map_data)
        inside = re.sub(r"[/\\\0]", "_", name)[-100:]
        archive.writestr(zipfile.ZipInfo(_FOLDER + inside, _ALWAYS), data)
    return stream.getvalue()


def unbundled(data: bytes) -> tuple[bytes, bytes]:
    """File and map out of their archive. Raises :class:`Unreadable`."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            held = archive.infolist()
            names = [entry.filename for entry in held]
            if len(names) != 2 or names[0] != MAP_NAME or not names[1].startswith(_FOLDER):
                raise Unreadable("not a file with its map")
            if any(entry.compress_type != zipfile.ZIP_STORED or entry.file_size > len(data) for entry in held):
                raise Unreadable("not a file with its map: packed")
            return archive.read(held[1]), archive.read(held[0])
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError, ValueError) as error:
        raise Unreadable(f"not an archive that can be read: {error}") from None
