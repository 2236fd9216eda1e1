"""HTTP and HTTPS through requests; no other module imports it.

The bytes are taken as they stand on the wire (no transfer decoding is asked for, none is undone here). TLS is always
verified. Redirects are followed by hand: few, never in a circle, and only to http, https and ftp.
"""

from __future__ import annotations

import http.client
import os
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urljoin

import requests
import urllib3
from requests.adapters import HTTPAdapter

from discprep import __version__
from discprep.fetch.source import SCHEMES, host, printable, scheme, shown
from discprep.fetch.transport import Answer, Redirected, Resume, Run, SourceFault, Validators, Watch, translated

_FAULTS = (
    requests.RequestException,
    urllib3.exceptions.HTTPError,
    http.client.HTTPException,
    OSError,
    ValueError,  # a URL or a header that a library cannot take apart
)
_RANGE = re.compile(r"bytes\s+(\d+)-(\d+)/(\d+|\*)", re.IGNORECASE)
_here = threading.local()  # .watch: the transfer this thread is busy with, for the sockets it opens


class HttpTransport:
    """One pool of connections for all transfers, so that connections are used again.

    It stands on requests' adapter rather than on its session: no cookies, no .netrc, no redirects of its own.
    Proxies and CA certificates are taken from the environment as requests does.
    """

    def __init__(self, run: Run) -> None:
        self._adapter = _Adapter(pool_connections=64, pool_maxsize=run.settings.connections_per_host)
        self._proxies: dict[str, dict[str, str]] = {}
        self._verify: bool | str = os.environ.get("REQUESTS_CA_BUNDLE") or os.environ.get("CURL_CA_BUNDLE") or True

    def close(self) -> None:
        self._adapter.close()

    @contextmanager
    def open(self, source: str, resume: Resume | None, run: Run, watch: Watch, hops: int) -> Iterator[Answer]:
        """Sends a GET, follows redirects and gives what answers.

        Raises:
            SourceFault: whatever goes wrong with the server or the network
            Redirected: to an ftp source
        """
        seen = {source}
        while True:
            with run.connection(host(source)), self._exchange("GET", source, resume, run, watch) as response:
                with _translated(run, watch):
                    target = _redirect(response, source)
                    answer = None if target else _answer(response, source, resume, run, watch)
                if answer:
                    yield answer
                    return
                assert target
            hops += 1
            if target in seen or hops > run.settings.redirects_max:
                circle = "in a circle" if target in seen else f"more than {run.settings.redirects_max} times"
                raise SourceFault(f"the server redirects {circle}, last to {shown(target)}; given up")
            if scheme(target) == "ftp":
                raise Redirected(target, hops)
            seen.add(target)
            source = target

    def head(self, source: str, run: Run, watch: Watch) -> Validators:
        """What the server says of the file without sending it. Raises as `open`."""
        for _ in range(run.settings.redirects_max + 1):
            held = self._exchange("HEAD", source, None, run, watch)
            with run.connection(host(source)), held as response, _translated(run, watch):
                target = _redirect(response, source)
                if target is None:
                    _refuse(response, run)
                    return _validators(response)
            source = target
        raise SourceFault("the server redirects without end; given up")

    @contextmanager
    def _exchange(self, method: str, source: str, resume: Resume | None, run: Run, watch: Watch) -> Iterator[Any]:
        _here.watch = watch
        timeout = (run.settings.connect_timeout_s, run.settings.stall_timeout_s)
        with ExitStack() as stack:
            stack.callback(setattr, _here, "watch", None)
            with _translated(run, watch):
                request = requests.Request(method, source, headers=_headers(resume)).prepare()
                response = self._adapter.send(
                    request, stream=True, timeout=timeout, verify=self._verify, proxies=self._proxies_for(source)
                )
                stack.callback(response.close)
            yield response

    def _proxies_for(self, source: str) -> dict[str, str]:
        place = f"{scheme(source)} {host(source)}"
        if place not in self._proxies:
            self._proxies[place] = requests.utils.get_environ_proxies(source)
        return self._proxies[place]


def _headers(resume: Resume | None) -> dict[str, str]:
    headers = {"User-Agent": f"discprep/{__version__}", "Accept": "*/*", "Accept-Encoding": "identity"}
    if resume and resume.offset_bytes:
        headers["Range"] = f"bytes={resume.offset_bytes}-"
        validator = resume.validators.strong or resume.validators.last_modified
        if validator:
            headers["If-Range"] = validator
    return headers


def _redirect(response: requests.Response, source: str) -> str | None:
    """Where the server sends us, or None. Raises SourceFault for a place we do not go."""
    if response.status_code not in (301, 302, 303, 307, 308) or "location" not in response.headers:
        return None
    location = response.headers["location"].encode("latin-1", "replace").decode("utf-8", "replace")
    target = urljoin(source, location)
    if scheme(target) not in SCHEMES or not host(target).partition(":")[0]:
        raise SourceFault(f"the server redirects to {shown(target)}; only {', '.join(SCHEMES)} are followed")
    return target


def _answer(response: requests.Response, source: str, resume: Resume | None, run: Run, watch: Watch) -> Answer:
    asked = resume.offset_bytes if resume else 0
    if asked and response.status_code in (412, 416):
        raise SourceFault("the server cannot go on where we stopped", again=True, kind="restart")
    _refuse(response, run)
    validators = _validators(response)
    offset_bytes = 0
    if response.status_code == 206:
        offset_bytes, size_bytes = _content_range(response, resume, validators)
        validators = replace(validators, size_bytes=size_bytes)
    raw = response.raw
    raw.enforce_content_length = False  # whoever reads compares, and says how much came

    def read(size_bytes: int) -> bytes:
        with _translated(run, watch):
            return raw.read1(size_bytes, decode_content=False) or b""

    return Answer(offset_bytes, validators, read, source)


def _content_range(response: requests.Response, resume: Resume | None, now: Validators) -> tuple[int, int | None]:
    """Offset and whole size of a 206; a fault unless it continues exactly what we have (RFC 9110 15.3.7)."""
    match = _RANGE.fullmatch(response.headers.get("content-range", "").strip())
    fault = SourceFault("the server answered the range that was asked for with another", again=True, kind="restart")
    if match is None or resume is None or int(match[1]) != resume.offset_bytes or len(match[3]) > 18:
        raise fault
    size_bytes = None if match[3] == "*" else int(match[3])
    old = resume.validators
    changed = (
        (old.etag and now.etag and old.etag != now.etag)
        or (old.last_modified and now.last_modified and old.last_modified != now.last_modified)
        or (old.size_bytes is not None and size_bytes is not None and old.size_bytes != size_bytes)
        or old.encoding != now.encoding
    )
    if changed:
        raise SourceFault("the file changed at the server since its first part came", again=True, kind="restart")
    return resume.offset_bytes, size_bytes


def _refuse(response: requests.Response, run: Run) -> None:
    """Raises SourceFault for every status that brings no file."""
    status = response.status_code
    if status in (200, 203, 206):
        return
    words = f"the server answers {status} {_short(response.reason or '')}".rstrip()
    pause_s = _retry_after(response.headers.get("retry-after", ""), response.headers.get("date", ""))
    if status in (429, 503) and pause_s is not None and pause_s > run.settings.retry_after_max_s:
        raise SourceFault(f"{words} and asks to wait {pause_s:.0f} s, longer than we do; try later")
    again = status in (408, 425, 429, 500, 502, 503, 504)
    raise SourceFault(words, again=again, pause_s=pause_s)


def _retry_after(text: str, now: str) -> float | None:
    """Seconds from a Retry-After header (RFC 9110 10.2.3): a number, or a date against the server's own clock."""
    if re.fullmatch(r"\s*\d{1,9}\s*", text):
        return float(text)
    then_s, now_s = _date(text), _date(now)
    return max(0.0, float(then_s - now_s)) if then_s is not None and now_s is not None else None


def _validators(response: requests.Response) -> Validators:
    headers = response.headers
    length = headers.get("content-length", "")
    modified, now_s = headers.get("last-modified", ""), _date(headers.get("date", ""))
    date_s = _date(modified)
    settled = date_s is not None and now_s is not None and now_s > date_s  # else it may change unseen: RFC 9110 8.8.2.2
    encoding = headers.get("content-encoding", "").strip().lower()
    return Validators(
        size_bytes=int(length) if re.fullmatch(r"\d{1,18}", length) and not _chunked(response) else None,
        etag=headers.get("etag", "").strip()[:200],
        last_modified=modified[:60] if settled else "",
        date_s=date_s,
        encoding="" if encoding == "identity" else encoding,
    )


def _chunked(response: requests.Response) -> bool:
    return "chunked" in response.headers.get("transfer-encoding", "").lower()


def _date(text: str) -> int | None:
    try:
        return int(parsedate_to_datetime(text).timestamp()) if text else None
    except (ValueError, TypeError, OverflowError, IndexError, OSError):
        return None


def _translated(run: Run, watch: Watch) -> AbstractContextManager[None]:
    return translated(run, watch, _FAULTS, _fault)


def _fault(error: BaseException, run: Run) -> SourceFault:
    causes = list(_causes(error))

    def of(*kinds: type[BaseException]) -> bool:
        return any(isinstance(cause, kinds) for cause in causes)

    text = next((str(c) for c in reversed(causes) if str(c)), type(error).__name__)
    if of(requests.exceptions.SSLError, urllib3.exceptions.SSLError):
        return SourceFault(f"its TLS certificate or connection cannot be trusted ({_short(text)}); nothing was taken")
    if of(socket.gaierror, urllib3.exceptions.NameResolutionError):
        return SourceFault("the name of its host cannot be found (DNS)")
    if of(ConnectionRefusedError):
        return SourceFault("the host refuses the connection")
    if of(urllib3.exceptions.NewConnectionError):
        return SourceFault(f"no connection to the host ({_short(text)})")
    if of(urllib3.exceptions.ConnectTimeoutError):
        return SourceFault(f"no connection within {run.settings.connect_timeout_s:g} s")
    if of(TimeoutError, requests.exceptions.Timeout, urllib3.exceptions.TimeoutError):
        return SourceFault(f"the server sent nothing for {run.settings.stall_timeout_s:g} s", again=True)
    if of(requests.exceptions.InvalidURL, urllib3.exceptions.LocationParseError, requests.exceptions.InvalidSchema):
        return SourceFault(f"this is no URL that can be asked for ({_short(text)})")
    if isinstance(error, ValueError):
        return SourceFault(f"the server's answer makes no sense ({_short(text)})")
    return SourceFault(f"the connection broke ({_short(text)})", again=True)


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """The error, and what it was made from: chained, or held in its arguments as the libraries like to do."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        yield error
        held = getattr(error, "reason", None) or next((a for a in error.args if isinstance(a, BaseException)), None)
        error = held if isinstance(held, BaseException) else error.__cause__ or error.__context__


def _short(text: str) -> str:
    clean = printable(re.sub(r"<[^>]*>:? ?", "", text))
    return clean if len(clean) <= 160 else clean[:157] + "..."


class _Watched:
    """Tells the transfer's watch which socket to shut when the server keeps us waiting."""

    sock: Any

    def getresponse(self) -> Any:
        if (watch := getattr(_here, "watch", None)) is not None:
            watch.over(self.sock)
        return super().getresponse()  # type: ignore[misc]


class _Connection(_Watched, urllib3.connection.HTTPConnection):
    pass


class _TlsConnection(_Watched, urllib3.connection.HTTPSConnection):
    pass


class _Pool(urllib3.HTTPConnectionPool):
    ConnectionCls = _Connection


class _TlsPool(urllib3.HTTPSConnectionPool):
    ConnectionCls = _TlsConnection


class _Adapter(HTTPAdapter):
    """requests' own adapter over connections that are watched; it never retries by itself."""

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager.pool_classes_by_scheme = {"http": _Pool, "https": _TlsPool}
