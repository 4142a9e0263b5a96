"""Bytes of a workbook that are the same whenever the same is written."""

from __future__ import annotations

import io
import re
import zipfile
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl import Workbook

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date a ZIP entry can hold
_STAMP = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:\2>)")


def workbook_bytes(book: Workbook) -> bytes:
    """Content of an XLSX file without the time at which it was written."""
    written, stable = io.BytesIO(), io.BytesIO()
    book.save(written)  # a broken-off save complains later if its file was closed before it
    with (
        zipfile.ZipFile(written) as old,
        zipfile.ZipFile(stable, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = _STAMP.sub(rb"\g<1>1980-01-01T00:00:00Z\g<3>", content)
            new.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)
    return stable.getvalue()
