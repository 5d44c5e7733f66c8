"""A small object store on this machine, in the way of speaking that Arrow knows as ``s3://``: what a mirror needs of it.

An object is there, whole, when its upload is completed, and not before. Requests whose numbers, from 0, are in
``fail`` are refused, as if the login had run out.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import threading
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import BinaryIO
from urllib.parse import parse_qsl, unquote, urlsplit
from xml.sax.saxutils import escape

LOGIN = {
    "AWS_ACCESS_KEY_ID": "somebody",
    "AWS_SECRET_ACCESS_KEY": "a secret",
    "AWS_EC2_METADATA_DISABLED": "true",
    "AWS_DEFAULT_REGION": "nowhere-1",
}
LONG_AGO = dt.datetime(2031, 1, 1, tzinfo=dt.UTC)
CHANGES = ("PUT", "POST", "DELETE")


class ObjectStore(ThreadingHTTPServer):
    """``objects`` by key, in the one bucket ``bucket``; ``requests``: method and key of each since they were last cleared."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Requests)
        self.objects: dict[str, bytes] = {}
        self.times: dict[str, dt.datetime] = {}
        self.uploads: dict[str, dict[int, bytes]] = {}
        self.requests: list[tuple[str, str]] = []
        self.fail: Container[int] = ()
        self.upon: tuple[str, str, Callable[[], object]] | None = None  # method, beginning of a key, what to do then
        self.lock = threading.Lock()

    def uri(self, bucket: str = "bucket") -> str:
        return f"s3://{bucket}/farm/records?endpoint_override=127.0.0.1:{self.server_port}&scheme=http"

    def handle_error(self, request: object, client_address: object) -> None:
        """Whoever spoke has gone, or was ended: what is not completed is not there."""

    def put(self, key: str, content: bytes) -> None:
        self.objects[key] = content
        self.times[key] = dt.datetime.now(dt.UTC)

    def files(self) -> dict[str, bytes]:
        """The objects, without the empty ones that stand for a folder."""
        return {key: held for key, held in self.objects.items() if not key.endswith("/")}

    def changes(self) -> list[tuple[str, str]]:
        return [(method, key) for method, key in self.requests if method in CHANGES]


@contextmanager
def object_store() -> Iterator[ObjectStore]:
    store = ObjectStore()
    thread = threading.Thread(target=store.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    try:
        yield store
    finally:
        store.shutdown()
        store.server_close()
        thread.join()


def unwrapped(stream: BinaryIO) -> bytes:
    """Chunks, each after a line with its size, up to the empty one; what comes behind it, up to an empty line, is left out."""
    pieces = []
    while size := int(stream.readline().partition(b";")[0], 16):
        pieces.append(stream.read(size))
        stream.readline()
    while stream.readline().strip():
        pass
    return b"".join(pieces)


class Requests(BaseHTTPRequestHandler):
    server: ObjectStore
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def log_message(self, format: str, *words: object) -> None:
        pass

    def handle_any(self) -> None:
        body = self.body()
        asked = urlsplit(self.path)
        bucket, _, key = unquote(asked.path).lstrip("/").partition("/")
        query = dict(parse_qsl(asked.query, keep_blank_values=True))
        upon = self.server.upon
        if upon is not None and self.command == upon[0] and key.startswith(upon[1]):
            upon[2]()
        with self.server.lock:
            self.server.requests.append((self.command, key))
            if len(self.server.requests) - 1 in self.server.fail:
                self.refuse(403, "AccessDenied")
            elif bucket != "bucket":
                self.refuse(404, "NoSuchBucket")
            else:
                getattr(self, f"of_{self.command.lower()}")(key, query, body)

    do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = handle_any

    def body(self) -> bytes:
        """What was sent, out of the chunks of the connection and those in which a client wraps it with a checksum."""
        if self.headers.get("Transfer-Encoding") == "chunked":
            raw = unwrapped(self.rfile)
        else:
            raw = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        return unwrapped(io.BytesIO(raw)) if self.headers.get("Content-Encoding") == "aws-chunked" else raw

    def of_get(self, key: str, query: dict[str, str], body: bytes) -> None:
        if not key:
            return self.list(query)
        if key not in self.server.objects:
            return self.refuse(404, "NoSuchKey")
        whole = self.server.objects[key]
        written = {"Last-Modified": format_datetime(self.server.times.get(key, LONG_AGO), usegmt=True)}
        span = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range") or "")
        if span is None:
            return self.answer(200, whole, written)
        first, last = int(span[1]), min(int(span[2]), len(whole) - 1)
        return self.answer(
            206, whole[first : last + 1], written | {"Content-Range": f"bytes {first}-{last}/{len(whole)}"}
        )

    of_head = of_get

    def of_put(self, key: str, query: dict[str, str], body: bytes) -> None:
        if "uploadId" in query:
            self.server.uploads[query["uploadId"]][int(query["partNumber"])] = body
        else:
            self.server.put(key, body)
        self.answer(200, b"", {"ETag": '"part"'})

    def of_post(self, key: str, query: dict[str, str], body: bytes) -> None:
        if "uploads" in query:
            name = str(len(self.server.requests))
            self.server.uploads[name] = {}
            self.answer_xml("InitiateMultipartUploadResult", f"<UploadId>{name}</UploadId>")
        else:
            parts = self.server.uploads.pop(query["uploadId"])
            self.server.put(key, b"".join(parts[number] for number in sorted(parts)))
            self.answer_xml("CompleteMultipartUploadResult", '<ETag>"whole"</ETag>')

    def of_delete(self, key: str, query: dict[str, str], body: bytes) -> None:
        if "uploadId" in query:
            self.server.uploads.pop(query["uploadId"], None)
        else:
            self.server.objects.pop(key, None)
        self.answer(204, b"")

    def list(self, query: dict[str, str]) -> None:
        prefix, rows, folders = query.get("prefix", ""), [], set()
        for key, held in sorted(self.server.objects.items()):
            if not key.startswith(prefix):
                continue
            head, cut, _ = key.removeprefix(prefix).partition(query.get("delimiter") or "\0")
            if cut:
                folders.add(prefix + head + cut)
            else:
                time = self.server.times.get(key, LONG_AGO).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
                rows.append(
                    f"<Contents><Key>{escape(key)}</Key><LastModified>{time}</LastModified><Size>{len(held)}</Size></Contents>"
                )
        rows += [f"<CommonPrefixes><Prefix>{escape(each)}</Prefix></CommonPrefixes>" for each in sorted(folders)]
        self.answer_xml("ListBucketResult", "<IsTruncated>false</IsTruncated>" + "".join(rows))

    def refuse(self, status: int, code: str) -> None:
        self.answer_xml("Error", f"<Code>{code}</Code><Message>refused</Message>", status)

    def answer_xml(self, name: str, inner: str, status: int = 200) -> None:
        self.answer(status, f'<?xml version="1.0" encoding="UTF-8"?><{name}>{inner}</{name}>'.encode())

    def answer(self, status: int, body: bytes, headers: dict[str, str] | None = None) -> None:
        self.send_response(status)
        for name, value in {"Content-Length": str(len(body)), **(headers or {})}.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)
