"""The application that phones speak to: form list, forms, manifests, media, submissions, for people whom the doors let in."""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import hashlib
import io
import re
import threading
from collections import OrderedDict, defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import BinaryIO

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import Field, File, FormParser, parse_options_header
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from formpack.words import in_each_language, marked, pack
from pipeline.field.phone import group_list_of, houses_of_staff
from pipeline.field.receiver import openrosa
from pipeline.field.receiver.doors import Doors, Entry
from pipeline.field.receiver.seen import Seen
from pipeline.field.receiver.spool import NoRoom, Said, Spool, base_name, look_at
from pipeline.findings import Refused
from pipeline.lists import is_active
from pipeline.workspace import Workspace

IN_MEMORY, AT_ONCE_OF_ONE, READ_AT_ONCE = 160 * 2**20, 3, 4
"""Bytes of submissions that are in memory at once, by the lengths that they state; submissions of one person; and how many are
read through at once, which takes several times their size. The rest waits its turn; slow lines with little to send keep nobody
waiting."""
SILENT_SECONDS, SLOW_AFTER, SLOW_BYTES, MOST_SECONDS = 20.0, 30.0, 1000, 900.0
"""A body that says nothing for so long, that after so long comes slower than so many bytes a second, or takes so long, is cut
off."""
AN_HOUR = 3000
"""Submissions that one person can send in an hour."""
MOST_PARTS = 60
MOST_XML = 128 * 2**10
"""Bytes of a submission without its files; a form makes a few kB. Some of some MB each were more than an import holds."""
_CLOCK = dt.timedelta(hours=1)
_HOST = re.compile(r"[A-Za-z0-9.\-]+(:\d{1,5})?|\[[0-9A-Fa-f:.]+\](:\d{1,5})?")
_KNOWN, _OFFERED = 20_000, 32 * 2**20

_RECEIVED = marked("Received. Thank you.")
_AGAIN = marked("This was received before. There is nothing more to do.")
_LOOKED_AT = marked("Received. The office will look at it.")
_NAME = marked("Give your name and your password, as they stand on your slip.")
_LOCKED = marked("Too many wrong passwords. Wait ten minutes, or ask the office for a new slip.")
_NOT_YOU = marked("You may not send here any more. Ask the office.")
_BROKEN = marked("What arrived cannot be read. It stays on this phone: send it again, or show it to the office.")
_TOO_LARGE = marked("This is larger than the office takes at once. It stays on this phone: show it to the office.")
_TOO_MANY = marked("Too much at once. It stays on this phone: send it again in a while.")
_NO_ROOM = marked("The office computer has no room. It stays on this phone: tell the office, and send it again later.")
_SLOW = marked("The line is too slow or was cut. It stays on this phone: send it again where the network is better.")
_TROUBLE = marked("Something went wrong in the office. It stays on this phone: tell the office, and send it again later.")
_HERE = marked("This is the right address. Put it into the form app, with the name and the password of your slip.")
_NOTHING_HERE = marked("There is nothing at this address. The address stands on your slip.")


class TooLarge(Exception):
    """A body larger than what is taken."""


class TooSlow(Exception):
    """A body that does not come on."""


class Room:
    """So many bytes, of which each takes some for a while; who finds too few waits."""

    def __init__(self, size: int) -> None:
        self._size = self._free = size
        self._freed = asyncio.Event()

    @contextlib.asynccontextmanager
    async def taken(self, wanted: int) -> AsyncIterator[None]:
        size = min(wanted, self._size)
        while self._free < size:
            self._freed.clear()
            await self._freed.wait()
        self._free -= size
        try:
            yield
        finally:
            self._free += size
            self._freed.set()


@dataclass
class Receiver:
    """What the application is given, and what it knows while it runs. `failed` is told of what was not expected, and writes it
    down."""

    workspace: Workspace
    spool: Spool
    doors: Doors
    seen: Seen
    most_bytes: int
    failed: Callable[[BaseException], None]
    _staff: tuple[tuple[int, int], dict[str, bool]] | None = None
    _contents: OrderedDict[str, str] = field(default_factory=OrderedDict)
    """Digest of an identity -> that of the submission that was last stored under it."""
    _devices: OrderedDict[tuple[str, str], str] = field(default_factory=OrderedDict)
    """Person and address -> what the phone there called itself last."""
    _offered: OrderedDict[tuple[str, str, str], bytes] = field(default_factory=OrderedDict)
    """Person, name and hash -> what a manifest offered lately."""
    _sent: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def __post_init__(self) -> None:
        self._room, self._readings = Room(IN_MEMORY), asyncio.Semaphore(READ_AT_ONCE)
        self._offering = threading.Lock()
        self._turns_of: dict[str, asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(AT_ONCE_OF_ONE))

    def app(self) -> Starlette:
        """The application."""
        routes = [
            Route("/", self._welcome),
            Route("/formList", self._guarded(self._form_list)),
            Route("/forms/{form}.xml", self._guarded(self._form)),
            Route("/forms/{form}.xml/manifest", self._guarded(self._manifest)),
            Route("/media/{name}", self._guarded(self._media)),
            Route("/submission", self._guarded(self._submission), methods=["HEAD", "POST"]),
        ]
        app = Starlette(routes=routes, exception_handlers={HTTPException: self._not_found})
        app.router.redirect_slashes = False  # to an address out of a Host header that nobody has looked at
        return app

    async def _welcome(self, request: Request) -> Response:
        """For a browser that looks at the address of a slip."""
        language = self._language(request)
        said = in_each_language(_HERE)[language]
        return PlainTextResponse(said, 200, openrosa.headers(language) | {"X-Content-Type-Options": "nosniff"})

    def _guarded(self, answer: Callable[[Request, str], Awaitable[Response]]) -> Callable[[Request], Awaitable[Response]]:
        """An endpoint behind the doors. Whatever goes wrong in it, the phone is told in a sentence, and no more."""

        async def guarded(request: Request) -> Response:
            is_post = request.method == "POST"
            try:
                async with asyncio.timeout(MOST_SECONDS):
                    entry, is_staff = await run_in_threadpool(self._judge, request)
                    if not entry.person:
                        # the standard has a body read before it is answered; but one that says two lengths is not to be
                        # trusted, and some clients ask so for a challenge, without any body
                        has_two = {"content-length", "transfer-encoding"} <= set(request.headers)
                        if is_post and not has_two and "expect" not in request.headers:
                            async for _ in self._body(request):
                                pass
                        return self._turned_away(request, entry, {"Connection": "close"} if has_two else {})
                    if not is_staff:
                        who = pack("is not, or no longer, an active member of staff, and was refused")
                        self.seen.note(entry.person, "", "problem", who)
                        return self._said(request, 403, _NOT_YOU)
                    request.scope["person"] = entry.person
                    self._look_at_clock(request, entry.person)
                    return await answer(request, entry.person)
            except TooLarge:
                most = self.most_bytes // 2**20
                said = pack(
                    "too large, and still on the phone: at most {most} MB with photos, {kb} kB without",
                    most=most,
                    kb=MOST_XML // 1024,
                )
                person = request.scope.get("person", "")
                self.seen.note(person, "", "problem" if person else "stranger", said)
                return self._said(request, 413, _TOO_LARGE)
            except (TooSlow, TimeoutError, ClientDisconnect):
                return self._said(request, 408, _SLOW, {"Connection": "close"})
            except Refused as wrong:  # a list or a file of passwords that cannot be read, say
                self.seen.note("", "", "problem", str(wrong))
                return self._said(request, 503, _TROUBLE)
            except HTTPException:
                raise
            except Exception as wrong:
                self.failed(wrong)
                return self._said(request, 500, _TROUBLE)

        return guarded

    # the doors

    def _judge(self, request: Request) -> tuple[Entry, bool]:
        """What the credentials are worth, and whether the person is staff."""
        target = request.scope["raw_path"].decode("ascii")
        if query := request.scope["query_string"]:
            target += f"?{query.decode('ascii')}"
        entry = self.doors.judge(request.method, target, request.headers.get("authorization"), _address(request))
        return entry, bool(entry.person) and self._is_staff(entry.person)

    def _turned_away(self, request: Request, entry: Entry, more: dict[str, str]) -> Response:
        if entry.failed:
            said = pack("a wrong name or password from {address}, as {name}", address=_address(request), name=entry.failed[:40])
            self.seen.note("", "", "stranger", said)
        if entry.is_locked:
            return self._said(request, 403, _LOCKED, more)
        return self._said(request, 401, _NAME, more | {"WWW-Authenticate": self.doors.challenge(entry.is_stale)})

    def _is_staff(self, person: str) -> bool:
        """Whether the list of staff has the person, and as active."""
        about = (self.workspace.lists / "staff.csv").stat()
        stamp = (about.st_mtime_ns, about.st_size)
        if self._staff is None or self._staff[0] != stamp:
            self._staff = stamp, {row["code"]: is_active(row) for row in self.workspace.read_list("staff")}
        return self._staff[1].get(person, False)

    def _look_at_clock(self, request: Request, person: str) -> None:
        """Point out a phone whose clock is an hour or more off; what it says of days goes into the books."""
        with contextlib.suppress(ValueError, TypeError, OverflowError):
            its = parsedate_to_datetime(request.headers["date"]) if "date" in request.headers else None
            if its is not None and abs(its - dt.datetime.now(dt.UTC)) > _CLOCK:
                day = its.date()
                said = pack("the clock of this phone, or of this computer, is wrong: the phone says it is {day}", day=day)
                self.seen.note(person, self._device(request, person), "problem", said)

    def _device(self, request: Request, person: str) -> str:
        """What the phone calls itself, or called itself at that address before: it says so in few of its requests. Only to be
        shown."""
        where = (person, _address(request))
        if name := _shown(request.query_params.get("deviceID", "")):
            self._devices[where] = name
            if len(self._devices) > _KNOWN:
                self._devices.popitem(last=False)
        return self._devices.get(where, "")

    # what phones fetch

    async def _form_list(self, request: Request, person: str) -> Response:
        forms = await run_in_threadpool(openrosa.forms_in, self.workspace.phone)
        asked = request.query_params.get("formID")
        self.seen.note(person, self._device(request, person), "list")
        base = _base(request)
        return self._document(request, openrosa.form_list([f for f in forms if asked in (None, f.form_id)], base))

    async def _served(self, request: Request) -> openrosa.Served:
        """The form that is asked for. Raises HTTPException."""
        forms = await run_in_threadpool(openrosa.forms_in, self.workspace.phone)
        for form in forms:
            if form.form_id == request.path_params["form"]:
                return form
        raise HTTPException(404)

    async def _form(self, request: Request, person: str) -> Response:
        form = await self._served(request)
        content = await run_in_threadpool((self.workspace.phone / f"{form.form_id}.xml").read_bytes)
        return self._document(request, content)

    async def _manifest(self, request: Request, person: str) -> Response:
        form = await self._served(request)

        def made() -> bytes:
            return openrosa.manifest(form.files, _base(request), lambda name: self._offer(person, name))

        return self._document(request, await run_in_threadpool(made))

    def _offer(self, person: str, name: str) -> bytes | None:
        """The content that a manifest names by its hash, and that the phone gets then, also where an import makes the list anew
        meanwhile."""
        content = self._content(person, name)
        if content is not None:
            key = (person, name, openrosa.md5_of(content))
            with self._offering:
                self._offered.pop(key, None)
                self._offered[key] = content
                while sum(map(len, self._offered.values())) > _OFFERED and len(self._offered) > 1:
                    self._offered.popitem(last=False)
        return content

    def _content(self, person: str, name: str) -> bytes | None:
        """The bytes of a file beside the forms, as this person gets them; None where it is not there."""
        if name == "groups.csv":
            with contextlib.suppress(FileNotFoundError):
                return group_list_of(self.workspace.phone, houses_of_staff(self.workspace).get(person))
            return None
        path = self.workspace.phone / name
        if path.is_symlink() or not path.is_file():
            self.seen.note("", "", "problem", pack("{name} is not in phone/, and a form asks for it", name=name))
            return None
        return path.read_bytes()

    async def _media(self, request: Request, person: str) -> Response:
        name = request.path_params["name"]
        forms = await run_in_threadpool(openrosa.forms_in, self.workspace.phone)
        content = self._offered.get((person, name, f"md5:{request.query_params.get('md5', '')}"))
        if content is None and any(name in form.files for form in forms):
            content = await run_in_threadpool(self._content, person, name)
        if content is None:
            raise HTTPException(404)
        if name == "groups.csv":
            self.seen.note(person, self._device(request, person), "groups")
        kind = {".csv": "text/csv; charset=utf-8", ".png": "image/png", ".jpg": "image/jpeg"}
        headers = openrosa.headers(self._language(request)) | {"X-Content-Type-Options": "nosniff"}
        return Response(content, 200, headers, media_type=kind.get(Path(name).suffix, "application/octet-stream"))

    # what phones send

    async def _submission(self, request: Request, person: str) -> Response:
        if request.method == "HEAD":
            return Response(None, 204, openrosa.headers(self._language(request), self.most_bytes))
        if self._is_too_much(person):
            return self._said(request, 503, _TOO_MANY, {"Retry-After": "600"})
        size = min(_stated(request) or self.most_bytes, self.most_bytes)
        async with self._turns_of[person], self._room.taken(size):
            try:
                if await run_in_threadpool(self.spool.needs_room, self.most_bytes):
                    raise NoRoom(pack("hardly any room is left"))
                content, files = await self._parts(request)
                if len(content) > MOST_XML:
                    raise TooLarge
                async with self._readings:
                    return await run_in_threadpool(self._store, request, person, content, files)
            except FormParserError:
                return self._refused(request, person, pack("what was sent is no whole multipart message"))
            except NoRoom as wrong:
                said = pack("what phones send cannot be put on the disk: {why}", why=str(wrong))
                self.seen.note(person, self._device(request, person), "problem", said)
                return self._said(request, 507, _NO_ROOM)

    def _is_too_much(self, person: str) -> bool:
        now = asyncio.get_running_loop().time()
        sent = self._sent[person] = [t for t in self._sent[person] if t > now - 3600]
        if len(sent) >= AN_HOUR:
            return True
        sent.append(now)
        return False

    async def _parts(self, request: Request) -> tuple[bytes, dict[str, BinaryIO]]:
        """The submission and the files beside it. Raises FormParserError, also where the last boundary has not come."""
        kind, options = parse_options_header(request.headers.get("content-type"))
        if kind != b"multipart/form-data" or not options.get(b"boundary"):
            raise FormParserError("no multipart")
        parts: list[tuple[str, str, BinaryIO]] = []
        ended: list[bool] = []

        def add(field_name: bytes | None, file_name: bytes | None, file: BinaryIO) -> None:
            parts.append((_text(field_name), _text(file_name), file))
            if len(parts) > MOST_PARTS:
                raise FormParserError("too many parts")

        def on_field(it: Field) -> None:
            add(it.field_name, None, io.BytesIO(it.value or b""))

        def on_file(it: File) -> None:
            add(it.field_name, it.file_name, it.file_object)

        config = {"MAX_MEMORY_FILE_SIZE": self.most_bytes}
        parser = FormParser(
            "multipart/form-data",
            on_field,
            on_file,
            on_end=lambda: ended.append(True),
            boundary=options[b"boundary"],
            config=config,
        )
        try:
            async for piece in self._body(request):
                parser.write(piece)
            parser.finalize()
        finally:
            parser.parser = None  # the two hold each other, and with them all that came, until somebody looks for such rings
        submissions = [file for name, _, file in parts if name == "xml_submission_file"]
        if not ended or len(submissions) != 1:
            raise FormParserError("no single submission, or no end")
        files: dict[str, BinaryIO] = {}
        for name, file_name, file in parts:
            if name != "xml_submission_file":
                wanted = base_name(file_name or name) or "nameless"
                taken = {other.lower() for other in files}
                number = 1
                while (own := wanted if number == 1 else f"{number}-{wanted}").lower() in taken:
                    number += 1
                files[own] = file
        submissions[0].seek(0)
        return submissions[0].read(), files

    async def _body(self, request: Request) -> AsyncIterator[bytes]:
        """The body as it comes. Raises TooLarge, TooSlow and ClientDisconnect."""
        most = self.most_bytes
        if _stated(request) > most:
            raise TooLarge
        clock = asyncio.get_running_loop().time
        begun, size = clock(), 0
        pieces = request.stream().__aiter__()
        while True:
            try:
                piece = await asyncio.wait_for(anext(pieces), SILENT_SECONDS)
            except StopAsyncIteration:
                return
            except TimeoutError:
                raise TooSlow from None
            size += len(piece)
            if size > most:
                raise TooLarge
            taken = clock() - begun
            if taken > SLOW_AFTER and size < SLOW_BYTES * taken:
                raise TooSlow
            yield piece

    def _store(self, request: Request, person: str, content: bytes, files: dict[str, BinaryIO]) -> Response:
        """Put it on the disk, then say so. Raises NoRoom."""
        said = look_at(content)
        if said.why:
            return self._refused(request, person, said.why)
        stored = self.spool.keep(person, said, content, files)
        device = self._device(request, person)
        for name in stored.aside:
            self.seen.note(
                person,
                device,
                "problem",
                pack("set aside in receiver/set_aside, as it is not what its name says: {name}", name=name),
            )
        before = self._before(said, content)
        if before == "other":
            what = pack("two different submissions came under one identity; `formpack problems` will have them")
            self.seen.note(person, device, "problem", what)
        is_again = stored.was_there or before == "same"
        self.seen.note(person, device, "again" if is_again else "received", _shown(said.form_id))
        is_known = any(form.form_id == said.form_id for form in openrosa.forms_in(self.workspace.phone))
        if not is_known:
            what = pack("a submission of a form that is not in phone/: {form}", form=_shown(said.form_id))
            self.seen.note(person, device, "problem", what)
        if before == "other" or stored.aside or not is_known or not said.instance_id:
            return self._said(request, 202, _LOOKED_AT)
        return self._said(request, 201, _AGAIN if stored.was_there else _RECEIVED)

    def _before(self, said: Said, content: bytes) -> str:
        """What came under the same identity since the receiver began: `same`, `other`, or '' for nothing. Of a submission that
        is sent in parts the same comes with each."""
        if not said.instance_id:
            return ""
        identity, digest = (hashlib.sha256(it).hexdigest() for it in (said.instance_id.encode(), content))
        before = self._contents.pop(identity, "")
        self._contents[identity] = digest
        if len(self._contents) > _KNOWN:
            self._contents.popitem(last=False)
        return "" if not before else "same" if before == digest else "other"

    def _refused(self, request: Request, person: str, why: str) -> Response:
        said = pack("refused, and still on the phone: {why}", why=why)
        self.seen.note(person, self._device(request, person), "problem", said)
        return self._said(request, 400, _BROKEN)

    # answers

    def _language(self, request: Request) -> str:
        """The language of an answer: the first that the phone asks for and that is spoken here, else the office's."""
        spoken = in_each_language(_RECEIVED)
        for asked in request.headers.get("accept-language", "").split(","):
            if (code := asked.strip()[:2].lower()) in spoken:
                return code
        return next(iter(spoken))

    def _said(self, request: Request, status: int, message: str, more: dict[str, str] | None = None) -> Response:
        language = self._language(request)
        body = openrosa.envelope(in_each_language(message)[language], status in (201, 202))
        headers = openrosa.headers(language, self.most_bytes) | (more or {})
        return Response(body, status, headers, media_type=openrosa.XML)

    def _document(self, request: Request, content: bytes) -> Response:
        return Response(content, 200, openrosa.headers(self._language(request)), media_type=openrosa.XML)

    async def _not_found(self, request: Request, wrong: Exception) -> Response:
        status, more = (wrong.status_code, wrong.headers) if isinstance(wrong, HTTPException) else (404, None)
        return self._said(request, status, _NOTHING_HERE, dict(more or {}))


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _stated(request: Request) -> int:
    """The bytes of the body as the request states them, 0 where it does not; in pieces, what it states besides is nothing."""
    stated = request.headers.get("content-length", "")
    return int(stated) if stated.isdecimal() and "transfer-encoding" not in request.headers else 0


def _shown(text: str) -> str:
    """A text of which a phone can make anything, as it is shown and noted: short, and in letters that are seen."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text[:60])


def _base(request: Request) -> str:
    """The address that the phone asked, for the addresses in the answer. Raises HTTPException where it is none."""
    host = request.headers.get("host", "")
    if not _HOST.fullmatch(host):
        raise HTTPException(400)
    return f"{request.url.scheme}://{host}"


def _text(name: bytes | None) -> str:
    return (name or b"").decode("utf-8", "replace")
