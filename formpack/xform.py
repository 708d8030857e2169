"""Form -> XForm XML by the standard's converter, checked by the validator that it carries."""

from __future__ import annotations

import hashlib
import io
import re
import shutil
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pyxform
from pyxform.xls2xform import convert

from formpack.catalog import Form, FormError
from formpack.workbook import form_workbook

_VERSION = re.compile(r'(<data\b[^>]* version=")(\d+)(")')


@dataclass(frozen=True)
class Published:
    """One form as it goes to the phones."""

    form: Form
    version: str
    xform: str
    workbook: bytes
    is_new: bool

    @property
    def md5(self) -> str:
        """The hash that a form list gives for the XForm (OpenRosa: `md5:` and the hex digest of its bytes)."""
        return "md5:" + hashlib.md5(self.xform.encode(), usedforsecurity=False).hexdigest()


def engine_jar() -> Path:
    """The one Java archive that the converter carries: validator and form engine."""
    return next(Path(pyxform.__file__).parent.rglob("*.jar"))


def to_xform(form: Form, version: str) -> str:
    """The XForm of a form, not yet validated. Any warning of the converter is a fault."""
    try:
        made = convert(io.BytesIO(form_workbook(form, version)), validate=False, file_type=".xlsx")
    except pyxform.errors.PyXFormError as wrong:
        raise FormError([f"{form.place}: the converter refuses it: {wrong}"]) from None
    if made.warnings:
        raise FormError([f"{form.place}: the converter warns: {w}" for w in made.warnings])
    return str(made.xform)


def validator_verdict(xform: str) -> str:
    """What the bundled validator says against an XForm; '' when it is content. Needs Java."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "form.xml"
        path.write_text(xform, encoding="utf-8")
        run = subprocess.run(
            ["java", "-Djava.awt.headless=true", "-XX:TieredStopAtLevel=1", "-jar", str(engine_jar()), str(path)],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
    said = [re.sub(r"^[\w.]+Exception: ", "", x) for x in run.stderr.splitlines() if not x.startswith("\t")]
    against = [x for x in said if run.returncode or re.search("warn|error", x, re.IGNORECASE)]
    return " ".join(x for x in against if x.strip() and not x.startswith((">>", "The following", "/", "Result")))


def has_java() -> bool:
    return shutil.which("java") is not None


def publish(forms: dict[str, Form], folder: Path) -> list[Published]:
    """Convert every form, raise its version where its content changed since `folder` was written, validate it.

    Nothing is written here. What has not changed since it was last published is not validated again; without Java
    the validator is left out, which `has_java` tells. Raises FormError with all faults.
    """
    made: list[Published] = []
    for form in forms.values():
        before = folder / f"{form.form_id}.xml"
        old = before.read_text(encoding="utf-8") if before.exists() else ""
        found = _VERSION.search(old)
        version = max(form.version, found[2] if found else "", key=int) if found else form.version
        xform = to_xform(form, version)
        if old and xform != old and found and version == found[2]:
            version = str(int(version) + 1)
            xform = to_xform(form, version)
        made.append(Published(form, version, xform, form_workbook(form, version), xform != old))
    if has_java():
        new = [p for p in made if p.is_new]
        with ThreadPoolExecutor(2) as pool:
            verdicts = list(pool.map(lambda p: validator_verdict(p.xform), new))
        faults = [f"{p.form.place}: the validator says: {v}" for p, v in zip(new, verdicts, strict=True) if v]
        if faults:
            raise FormError(faults)
    return made
