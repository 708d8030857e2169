"""python lxml_parse.py memory|archive ARCHIVE: parse every document of the archive with lxml and nothing else.

`memory`: the documents are read beforehand, only parsing counts. `archive`: reading them from the archive counts too.
"""

import sys
import time
import zipfile
from collections.abc import Iterator

from lxml import etree


def documents(path: str) -> Iterator[bytes]:
    with zipfile.ZipFile(path) as archive:
        for member in archive.infolist():
            yield archive.read(member)


what, path = sys.argv[1:]
found = list(documents(path)) if what == "memory" else documents(path)
began = time.process_time()
parsed = 0
for document in found:
    etree.fromstring(document)
    parsed += 1
print(f"{parsed} documents")
print(f"measured {time.process_time() - began:.4f}")
