"""A small client of the service, for the demo, scripts and tests: ask for a job, follow it, get its files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

import urllib3

from worker.collection.outgoing import OutgoingFile, Parts, multipart
from worker.errors import MaskwrightError, StorageError, UnavailableError

TIMEOUT = urllib3.Timeout(connect=5.0, read=60.0)
LONG_TIMEOUT = urllib3.Timeout(connect=5.0, read=1800.0)
"""For a whole collection, which the service answers once every artwork is on its disk."""


class RefusedError(MaskwrightError):
    """The service said no; `code` is the problem document's, `status` the HTTP status."""

    def __init__(self, what: str, *, mend: str = "", code: str = "refused", status: int = 0) -> None:
        super().__init__(what, mend=mend)
        self.code = code
        self.status = status


class Client:
    """Talks to one service. Every method raises RefusedError or UnavailableError."""

    def __init__(self, address: str, *, key: str = "") -> None:
        self.address = address.rstrip("/")
        self.pool = urllib3.PoolManager(timeout=TIMEOUT, headers={"Authorization": f"Bearer {key}"} if key else {})

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.pool.clear()

    def fabs(self) -> list[dict[str, Any]]:
        """Every fab, in short."""
        return cast(list[dict[str, Any]], self._json("GET", "/v1/fabs")["fabs"])

    def submit(
        self,
        name: str,
        artwork: bytes,
        *,
        fab: str,
        settings: Mapping[str, str | Sequence[str]],
        bottom: tuple[str, bytes] | None = None,
        lane: str = "batch",
        idempotency_key: str | None = None,
    ) -> dict[str, Any]:
        """Ask for a job; settings as the command line takes them. The job as it stands in the queue.

        `bottom` : name and bytes of the artwork of the board's bottom.
        """
        fields: list[tuple[str, Any]] = [("artwork", (name, artwork)), ("fab", fab), ("lane", lane)]
        fields += [] if bottom is None else [("bottom", bottom)]
        for setting, value in settings.items():
            fields += [(setting, one) for one in ([value] if isinstance(value, str) else value)]
        headers = {"Idempotency-Key": idempotency_key} if idempotency_key else {}
        return self._json("POST", "/v1/jobs", fields=fields, headers=headers)

    def submit_collection(
        self, fields: Sequence[tuple[str, str]], files: Sequence[OutgoingFile], parts: Parts = ()
    ) -> dict[str, Any]:
        """Ask for many at once; the files are read as they are sent. `parts` : a manifest, a circuit and the like."""
        kind, body = multipart(fields, files, parts)
        asked = {"body": body, "headers": {"Content-Type": kind}, "again": False, "timeout": LONG_TIMEOUT}
        return self._json("POST", "/v1/collections", **asked)

    def collection(self, collection_id: str) -> dict[str, Any]:
        """The collection as it is now."""
        return self._json("GET", f"/v1/collections/{collection_id}")

    def members(self, collection_id: str) -> Iterator[dict[str, Any]]:
        """Its artworks with their jobs, page by page."""
        path: str | None = f"/v1/collections/{collection_id}/artworks?limit=200"
        while path:
            page = self._json("GET", path)
            yield from page["artworks"]
            path = page["next"]

    def page(self, path: str) -> bytes:
        """What lies at a path of the service, whole."""
        return self._open("GET", path, preload=True).data

    def pages(self, path: str) -> Iterator[bytes]:
        """What lies at a path, and at the next ones that its Link headers lead to."""
        following: str | None = path
        while following:
            response = self._open("GET", following, preload=True)
            yield response.data
            link = response.headers.get("Link", "")
            following = link.partition("<")[2].partition(">")[0] if 'rel="next"' in link else None

    def ask(self, method: str, path: str, body: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Any other question that takes JSON and is answered with JSON."""
        return self._json(method, path, **({} if body is None else {"json": dict(body)}))

    def job(self, job_id: str) -> dict[str, Any]:
        """The job as it is now."""
        return self._json("GET", f"/v1/jobs/{job_id}")

    def cancel(self, job_id: str) -> dict[str, Any]:
        """Stop a job."""
        return self._json("DELETE", f"/v1/jobs/{job_id}")

    def follow(self, job_id: str) -> Iterator[dict[str, Any]]:
        """The job after each change, until it has ended; goes on by itself after a broken connection."""
        seen = ""
        while True:
            headers = {"Accept": "text/event-stream", **({"Last-Event-ID": seen} if seen else {})}
            response = self._open("GET", f"/v1/jobs/{job_id}/events", headers=headers)
            if response.status == 204:
                return
            try:
                for line in _lines(response):
                    if line.startswith("id:"):
                        seen = line[3:].strip()
                    elif line.startswith("data:"):
                        job = json.loads(line[5:])
                        yield job
                        if job["finished"] is not None:
                            return
            except urllib3.exceptions.HTTPError:
                continue
            finally:
                response.close()

    def files(self, job_id: str) -> list[dict[str, Any]]:
        """The result files of a job: path, bytes, sha256, media_type, href."""
        return cast(list[dict[str, Any]], self._json("GET", f"/v1/jobs/{job_id}/files")["files"])

    def download(self, file: Mapping[str, Any]) -> bytes:
        """One of them, whole. Raises StorageError where it is not what the list says."""
        data = self._open("GET", file["href"], preload=True).data
        if hashlib.sha256(data).hexdigest() != file["sha256"]:
            raise StorageError(f"{file['path']} arrived damaged.", mend="Get it again.")
        return data

    def _json(self, method: str, path: str, **more: Any) -> dict[str, Any]:
        return cast(dict[str, Any], self._open(method, path, preload=True, **more).json())

    def _open(
        self, method: str, path: str, *, preload: bool = False, again: bool = True, **more: Any
    ) -> urllib3.BaseHTTPResponse:
        """`again` : whether it may be asked again by itself, as a body that is made only once may not."""
        headers = {**self.pool.headers, **more.pop("headers", {})}
        try:
            response = self.pool.request(
                method,
                self.address + path,
                headers=headers,
                preload_content=preload,
                retries=_RETRIES if again else False,
                **more,
            )
            if response.status >= 400:
                raise _refused(response)
        except urllib3.exceptions.HTTPError as error:
            raise UnavailableError(f"The service at {self.address} does not answer.", mend="Is it running?") from error
        return response


_RETRIES = urllib3.Retry(total=5, backoff_factor=0.2, status_forcelist=(503,), raise_on_status=False)


def _refused(response: urllib3.BaseHTTPResponse) -> RefusedError:
    try:
        problem = json.loads(response.data)
        return RefusedError(problem["detail"], code=problem["code"], status=response.status)
    except (ValueError, KeyError, TypeError):
        return RefusedError(f"The service answered {response.status}.", status=response.status)


def _lines(response: urllib3.BaseHTTPResponse) -> Iterator[str]:
    rest = b""
    for chunk in response.stream(64 * 1024):
        *lines, rest = (rest + chunk).split(b"\n")
        for line in lines:
            yield line.decode().rstrip("\r")
