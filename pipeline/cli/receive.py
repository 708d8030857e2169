from __future__ import annotations

import contextlib
import datetime as dt
import errno
import ipaddress
import re
import socket
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import either, listed, marked, tr, trn
from pipeline.cli import frame
from pipeline.cli.frame import JsonOption, WorkspaceOption, number_of, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp

    from pipeline.field.receiver.doors import People
    from pipeline.field.receiver.importer import Importer
    from pipeline.field.receiver.seen import Seen
    from pipeline.field.receiver.spool import Spool
    from pipeline.workspace import Workspace

PORT = 8417
_NAME = re.compile(r"[A-Za-z0-9_.\-]{1,40}")
"""Codes that can be a name for the doors and a folder."""


def receive(
    port: Annotated[
        int,
        typer.Option(
            parser=number_of("--port", "integer", 1, 65534),
            metavar="N",
            help="Where to listen; the page for the clerk is at the next number.",
        ),
    ] = PORT,
    listen: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="The address of this computer on the nursery's own network.",
            show_default="this computer alone",
        ),
    ] = "",
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Certificate for HTTPS, as PEM.")
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", metavar="FILE", help="Its key, as PEM.")] = None,
    import_every: Annotated[
        float,
        typer.Option(
            parser=number_of("--import-every", "decimal", 0, 1440),
            metavar="MINUTES",
            help="How often what came is imported by itself; 0 for never.",
        ),
    ] = 15.0,
    add_person: Annotated[
        str, typer.Option(metavar="CODE", help="Make a password for a member of staff, and print a slip.")
    ] = "",
    remove_person: Annotated[str, typer.Option(metavar="CODE", help="Let a person send no more.")] = "",
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.pdf", help="With --add-person, write the slip for the printer.")
    ] = None,
    workspace: WorkspaceOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Let phones fetch forms and lists from this computer, and send what was filled in, over the nursery's own network."""
    from pipeline.findings import Refused

    with refusals():
        ws = workspace_at(workspace)
        if listen:
            _refuse_open_air(listen, certificate is not None)
        if bool(certificate) != bool(key):
            raise Refused(tr("--certificate and --key belong together; give both."))
        if to is not None and not add_person:
            raise Refused(tr("--to writes a slip: give --add-person too."))
        if to is not None and to.suffix != ".pdf":
            raise Refused(tr("{file} must end in .pdf.", file=str(to)))
        if add_person and remove_person:
            raise Refused(tr("--add-person and --remove-person are two things; do one after the other."))
        if add_person:
            _add(ws, add_person, _address(ws, listen, port, certificate is not None), to, as_json)
        elif remove_person:
            _remove(ws, remove_person, as_json)
        else:
            _serve(ws, port, listen, certificate, key, import_every)


def _people(ws: Workspace) -> Path:
    return ws.receiver / "people.json"


def _address(ws: Workspace, listen: str, port: int, is_secure: bool) -> str:
    """The address that phones are given."""
    return ws.settings.receiver.address or _where(listen, port, is_secure)


def _where(listen: str, port: int, is_secure: bool) -> str:
    """The address at which it listens."""
    host = f"[{listen}]" if ":" in listen else listen or "127.0.0.1"
    return f"{'https' if is_secure else 'http'}://{host}:{port}"


def _labels(ws: Workspace) -> dict[str, str]:
    return {row["code"]: row.get("label") or row["code"] for row in ws.read_list("staff")}


def _add(ws: Workspace, code: str, address: str, to: Path | None, as_json: bool) -> None:
    from pipeline.field.receiver import slips
    from pipeline.field.receiver.doors import People, new_password
    from pipeline.findings import Refused
    from pipeline.lists import is_active
    from pipeline.outputs import one_file

    staff = {row["code"]: row for row in ws.read_list("staff")}
    if code not in staff:
        raise Refused(
            tr("--add-person {code}: there is no such code in lists/staff.csv; add the person there first.", code=code[:60])
        )
    if not is_active(staff[code]):
        raise Refused(tr("--add-person {code}: lists/staff.csv says that this person is not active.", code=code))
    if not _NAME.fullmatch(code):
        raise Refused(
            tr("--add-person {code}: phones cannot send this name; use a code of letters, digits, - and _.", code=code[:60])
        )
    password = new_password()
    slip = slips.slip_for(ws.settings, code, staff[code].get("label") or code, address, password)
    take_back: Callable[[], None] | None = None
    try:
        with one_file(to) if to else contextlib.nullcontext() as beside:
            if beside:
                beside.touch(mode=0o600)
                slips.write_pdf(beside, slip)
            take_back = People(_people(ws)).add(code, password)
    except (Refused, OSError):  # one that is stopped is done again, which makes a password anew
        if take_back:
            take_back()
        raise
    if as_json:
        print_json({"person": code, "address": address, "password": password, "wifi": slip.wifi})
        return
    for line in slip.lines():
        say(line)
    if slip.wifi:
        say(tr(slips.JOIN))
        for line in slips.on_screen(slip.wifi):
            say(line)
    if to is not None:
        say(tr("The slip is in {file}. Delete it when it is printed.", file=str(to)))
    if address.startswith("http://127."):
        said = marked(
            "Phones cannot reach this address: say the one that they can with --listen, or as `address` under [receiver] in"
            " nursery.toml."
        )
        say(tr(said))
    say(tr("The password is shown this once and kept nowhere. Doing it again makes a new one, and the old one ends."))


def _remove(ws: Workspace, code: str, as_json: bool) -> None:
    from pipeline.field.receiver.doors import People
    from pipeline.findings import Refused

    if not People(_people(ws)).remove(code):
        raise Refused(tr("--remove-person {code}: this person had no password.", code=code[:60]))
    if as_json:
        print_json({"removed": code})
    else:
        say(tr("{code} can send no more. What was sent stays.", code=code))


def _refuse_open_air(listen: str, is_secure: bool) -> None:
    """Raise Refused for what is no address of one network, and for one that the whole world can reach without HTTPS."""
    from pipeline.findings import Refused

    try:
        where = ipaddress.ip_address(listen)
        where = getattr(where, "ipv4_mapped", None) or where
        if where.is_unspecified or where.is_multicast:  # all networks at once, the one outside too; no phone can be told it
            raise ValueError
    except ValueError:
        raise Refused(
            tr("--listen {address}: give the number of this computer on the network, as 192.168.1.20.", address=listen[:60])
        ) from None
    if where.is_global and not is_secure:
        said = marked(
            "--listen {address} can be reached from outside: give --certificate and --key, or an address of the nursery's own"
            " network."
        )
        raise Refused(tr(said, address=listen))


def _serve(ws: Workspace, port: int, listen: str, certificate: Path | None, key: Path | None, minutes: float) -> None:
    """Answer phones until somebody stops it."""
    import threading

    from pipeline.field.receiver import server
    from pipeline.field.receiver.app import Receiver
    from pipeline.field.receiver.doors import Doors, People
    from pipeline.field.receiver.importer import Importer
    from pipeline.field.receiver.seen import Seen
    from pipeline.field.receiver.spool import Spool
    from pipeline.findings import Refused

    people = People(_people(ws))
    spool = Spool(ws.receiver)
    spool.begin()
    importer, seen = Importer(ws.folder, spool, minutes), Seen(ws.receiver / "seen")
    receiver = Receiver(ws, spool, Doors(people), seen, ws.settings.receiver.most_mb * 2**20, _write_down)
    try:
        phones = server.server(receiver.app(), certificate, key)
        phones.config.load()
    except OSError as wrong:  # those of SSL too
        said = marked(
            "The certificate and the key cannot be used: {why}. Each is a file of its own, as PEM, and they fit together."
        )
        raise Refused(tr(said, why=wrong.strerror or str(wrong))) from None
    try:
        sockets = [server.bound(listen or "127.0.0.1", port), server.bound("127.0.0.1", port + 1)]
    except OSError as wrong:
        if wrong.errno == errno.EADDRNOTAVAIL:
            said = marked("--listen {address}: this computer has no such address; it has {addresses}.")
            raise Refused(tr(said, address=listen, addresses=listed(_own_addresses()) or "127.0.0.1")) from None
        said = marked("Cannot listen at port {port}: {why}. Another program may be there; name another port with --port.")
        raise Refused(tr(said, port=str(port), why=wrong.strerror or str(wrong))) from None
    status = server.server(_status(ws, importer, spool, seen, people))
    try:
        _say_where(ws, listen, port, certificate is not None, minutes, people)
        threading.Thread(target=status.run, kwargs={"sockets": [sockets[1]]}, name="status", daemon=True).start()
        if minutes:
            importer.start()
        phones.run(sockets=[sockets[0]])
    except KeyboardInterrupt:
        pass  # the way to end it; a shell that started it in the background may have it pass over the second asking
    finally:
        importer.stop()
        status.should_exit = True
        for one in sockets:
            one.close()
    say(tr("Stopped. What came stays."))


def _write_down(wrong: BaseException) -> None:
    """Put a failure that no phone is told of into errors/."""
    frame.write_down("".join(traceback.format_exception(wrong)))


def _own_addresses() -> list[str]:
    """The addresses of this computer at which a phone may find it."""
    import psutil

    found = [one.address for ones in psutil.net_if_addrs().values() for one in ones if one.family == socket.AF_INET]
    return sorted(address for address in found if not address.startswith("127."))


def _say_where(ws: Workspace, listen: str, port: int, is_secure: bool, minutes: float, people: People) -> None:
    address = _where(listen, port, is_secure)
    if listen:
        say(tr("Listening for phones at {address}.", address=address))
    else:
        say(tr("Listening at {address}, for this computer alone; --listen ADDRESS lets phones in.", address=address))
        if own := _own_addresses():
            say(tr("This computer has the address {addresses}.", addresses=either(own)))
    if (told := ws.settings.receiver.address) and told != address:
        say(tr("Slips say {address} ([receiver] in nursery.toml).", address=told))
    if day := ws.settings.today:
        said = marked("nursery.toml says that today is {day}: work that phones date after it is kept out.")
        say(tr(said, day=day))
    if listen and not is_secure:
        said = marked(
            "This is plain HTTP: nobody can read or use a password, but whoever is on the same network can read what is sent"
            " and fetched, and change it on its way. Use a network of the nursery's own with WPA2 or WPA3, or give"
            " --certificate and --key."
        )
        say(tr(said))
    say(tr("The page for the clerk: http://127.0.0.1:{port}/ (on this computer alone).", port=str(port + 1)))
    many = len(people.hashes())
    if many:
        say(trn("{n} person can send.", "{n} people can send.", many))
    else:
        say(tr("Nobody can send yet: `formpack receive --add-person CODE` makes a slip for a person."))
    if not any(ws.phone.glob("*.xml")):
        say(tr("phone/ has no forms yet, so there is nothing to fetch: run `formpack forms`."))
    if minutes >= 1:
        say(trn("What came is imported every minute.", "What came is imported every {n} minutes.", round(minutes)))
    elif minutes:
        say(tr("What came is imported as it comes."))
    else:
        say(tr("What came waits until `formpack import`."))
    say(tr("Stop with Ctrl+C; what came stays."))


def _status(ws: Workspace, importer: Importer, spool: Spool, seen: Seen, people: People) -> ASGIApp:
    """The page for the clerk, as an application that only a browser on this computer can ask."""
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.responses import HTMLResponse, PlainTextResponse
    from starlette.routing import Route

    from pipeline.findings import Refused
    from pipeline.report.phones_page import phones_html

    def page(request: Request) -> Response:
        headers = {"Refresh": "20", "Cache-Control": "no-store", "X-Frame-Options": "DENY", "X-Content-Type-Options": "nosniff"}
        try:
            groups = ws.phone / "groups.csv"
            lists_of = dt.datetime.fromtimestamp(groups.stat().st_mtime) if groups.exists() else None
            labels = _labels(ws) | frame.titles(ws)
            waiting, who = len(spool.waits()), people.hashes()
            made = phones_html(ws.settings.name, seen.day(), importer, waiting, lists_of, who, labels)
        except (Refused, OSError) as wrong:  # a list that cannot be read; the page is there again when it can
            return PlainTextResponse(str(wrong), 503, headers)
        return HTMLResponse(made, headers=headers)

    hosts = Middleware(TrustedHostMiddleware, allowed_hosts=["127.0.0.1", "localhost"])
    return Starlette(routes=[Route("/", page)], middleware=[hosts])
