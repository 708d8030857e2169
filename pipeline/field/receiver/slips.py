"""The slip that a person gets: the address, a name and a password, and a code by which a phone joins the network."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from formpack.words import marked, tr

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

    from pipeline.settings import Settings


JOIN = marked("Point the camera of the phone here to join the network:")


@dataclass(frozen=True)
class Slip:
    """What it says. `wifi` is the text of the code in the open format `WIFI:`; '' where the network is not told."""

    nursery: str
    person: str
    label: str
    address: str
    password: str
    wifi_name: str = ""
    wifi: str = ""

    def lines(self) -> list[str]:
        """What stands on it, a line each."""
        said = [
            tr("{nursery}: slip for {label} ({code})", nursery=self.nursery, label=self.label, code=self.person),
            tr(
                "Put these into the form app, where it asks for the server: the address, the name of the user and the password."
            ),
            tr("address: {address}", address=self.address),
            tr("name: {name}", name=self.person),
            tr("password: {password}", password=self.password),
        ]
        return [*said, tr("Wi-Fi: {name}", name=self.wifi_name)] if self.wifi else said


def slip_for(settings: Settings, person: str, label: str, address: str, password: str) -> Slip:
    """The slip of a person."""
    from segno.helpers import make_wifi_data

    network, wifi = settings.receiver, ""
    if network.wifi_name:
        kind = "WPA" if network.wifi_password else None
        wifi = make_wifi_data(ssid=network.wifi_name, password=network.wifi_password or None, security=kind)
    return Slip(settings.name, person, label, address, password, network.wifi_name, wifi)


def on_screen(text: str) -> Iterator[str]:
    """A QR code in lines of half blocks, light on dark."""
    import segno

    rows = [[not dark for dark in row] for row in segno.make_qr(text, error="m").matrix_iter(border=2)]
    rows += [[False] * len(rows[0])] * (len(rows) % 2)
    for upper, lower in zip(rows[::2], rows[1::2], strict=True):
        yield "".join(" ▄▀█"[2 * u + lo] for u, lo in zip(upper, lower, strict=True))


def write_pdf(path: Path, slip: Slip) -> None:
    """The slip on paper, with its codes."""
    from reportlab.graphics.barcode import createBarcodeDrawing
    from reportlab.lib.units import mm

    from pipeline.field.printing import gap, words, write_sheets

    def code(text: str) -> list[Flowable]:
        drawn = createBarcodeDrawing("QR", value=text, barLevel="M", barWidth=45 * mm, barHeight=45 * mm)  # type: ignore[no-untyped-call]
        return [drawn, gap(4)]

    head, how, *lines = slip.lines()
    blocks = [words(head, 16, bold=True, after_mm=4), words(how, 10, after_mm=5)]
    blocks += [*(words(line, 13, after_mm=2.5) for line in lines), gap(6)]
    if slip.wifi:
        blocks += [words(tr(JOIN), 10, after_mm=1), *code(slip.wifi)]
    blocks += [words(tr("The address, to copy into the form app:"), 10, after_mm=1), *code(slip.address)]
    blocks += [words(tr("Whoever holds this slip can send as you. Keep it by you, and tell the office when it is lost."), 10)]
    write_sheets(path, head, [("formpack", blocks)])
