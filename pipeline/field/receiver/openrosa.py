"""What the OpenRosa standard writes: form list, manifests and answers as XML, with the headers that go with them.

Source: the OpenRosa texts on form discovery, submission and HTTP headers, version 1.0.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from email.utils import formatdate
from functools import lru_cache
from pathlib import Path
from urllib.parse import quote

from lxml import etree
from lxml.builder import ElementMaker

_LIST = "http://openrosa.org/xforms/xformsList"
_MANIFEST = "http://openrosa.org/xforms/xformsManifest"
_RESPONSE = "http://openrosa.org/http/response"
_XHTML = "{http://www.w3.org/1999/xhtml}"
_ASKED = re.compile(rb"jr://[a-z-]+/([^\"'<>\s]+)")
_PLAIN = re.compile(r"[\w.\- ]{1,100}")
XML = "text/xml; charset=utf-8"


@dataclass(frozen=True)
class Served:
    """A form as phones may fetch it: `files` are the names of the lists and pictures that it asks for."""

    form_id: str
    title: str
    version: str
    md5: str
    files: tuple[str, ...]


def md5_of(content: bytes) -> str:
    """The hash of what is served, as lists of forms and manifests give it."""
    return "md5:" + hashlib.md5(content, usedforsecurity=False).hexdigest()


def is_plain(name: str) -> bool:
    """Whether a file name can be served: one name without a folder, not hidden, without odd letters."""
    return _PLAIN.fullmatch(name) is not None and not name.startswith(".")


@lru_cache(maxsize=200)
def _read(path: Path, stamp: tuple[int, int]) -> Served | None:
    """`stamp`, the time and size of the file, is there to read it again when it changes."""
    content = path.read_bytes()
    try:
        root = etree.fromstring(content, etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False))
    except etree.XMLSyntaxError:
        return None
    title = root.findtext(f"{_XHTML}head/{_XHTML}title")
    instance = root.find("{*}head/{*}model/{*}instance")
    if title is None or instance is None or not len(instance) or instance[0].get("id") != path.stem:
        return None
    names = dict.fromkeys(name.decode("utf-8", "replace").rpartition("/")[2] for name in _ASKED.findall(content))
    return Served(path.stem, title, instance[0].get("version") or "", md5_of(content), tuple(n for n in names if is_plain(n)))


def forms_in(folder: Path) -> list[Served]:
    """The XForms that stand in the folder, by their ids. Raises OSError."""
    found = []
    for path in sorted(folder.glob("*.xml")):
        about = path.stat()
        if is_plain(path.name) and (form := _read(path, (about.st_mtime_ns, about.st_size))):
            found.append(form)
    return found


def _text(root: etree._Element) -> bytes:
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


def form_list(forms: Sequence[Served], base: str) -> bytes:
    """The list of forms; `base` is the address that the phone asked, as `http://192.168.1.20:8417`."""
    of = ElementMaker(namespace=_LIST, nsmap={None: _LIST})
    entries = []
    for form in forms:
        address = f"{base}/forms/{quote(form.form_id)}.xml"
        entry = [
            of.formID(form.form_id),
            of.name(form.title),
            of.version(form.version),
            of.hash(form.md5),
            of.downloadUrl(address),
        ]
        if form.files:
            entry.append(of.manifestUrl(f"{address}/manifest"))
        entries.append(of.xform(*entry))
    return _text(of.xforms(*entries))


def manifest(names: Collection[str], base: str, content_of: Callable[[str], bytes | None]) -> bytes:
    """The files of a form that are there, each with the hash of its bytes as they are now."""
    of = ElementMaker(namespace=_MANIFEST, nsmap={None: _MANIFEST})
    entries = []
    for name in names:
        content = content_of(name)
        if content is not None:
            md5 = md5_of(content)
            address = f"{base}/media/{quote(name)}?{md5.replace(':', '=')}"
            entries.append(of.mediaFile(of.filename(name), of.hash(md5), of.downloadUrl(address)))
    return _text(of.manifest(*entries))


def envelope(message: str, is_success: bool) -> bytes:
    """The answer to a submission, in words for the person who sent it."""
    of = ElementMaker(namespace=_RESPONSE, nsmap={None: _RESPONSE})
    return _text(of.OpenRosaResponse(of.message(message, nature="submit_success" if is_success else "error")))


def headers(language: str, most_bytes: int | None = None) -> dict[str, str]:
    """What every answer carries; answers about submissions also say how large one may be."""
    said = {"X-OpenRosa-Version": "1.0", "Date": formatdate(usegmt=True), "Content-Language": language}
    return said if most_bytes is None else said | {"X-OpenRosa-Accept-Content-Length": str(most_bytes)}
