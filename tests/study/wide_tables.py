"""Five unlike wide tables, invented: as rows of cells, and as the files a laboratory would have."""

import zipfile
from xml.sax.saxutils import escape

import openpyxl

APERTURES = (500, 250, 125, 63, 0)
TARES = (421.35, 398.12, 376.4, 355.28, 330.06)
LOADS = {0: (30.11, 10.2, 6.05, 3.3, 1.02), 6: (18.4, 14.1, 9.25, 6.3, 3.1),
         24: (6.2, 12.35, 14.05, 11.4, 7.2)}  # fmt: skip
SAMPLES = [(group, time) for group in ("Alder", "Birch") for time in LOADS]


def tare(sample, sieve):
    """Empty mass of a sieve, g, a little different each time."""
    return round(TARES[sieve] + (sample % 3 - 1) / 100, 2)


def gross(sample, sieve, empty=None):
    """Mass with powder, g."""
    load = LOADS[SAMPLES[sample][1]][sieve] + 0.01 * sample
    return round((tare(sample, sieve) if empty is None else empty) + load, 2)


def pairs_across():
    """Sieves in rows, mm, pairs under merged headings, hours, totals and a note below."""
    rows = [["Sieve trial of spring (invented)"], []]
    rows.append(["Bench", *(cell for g in ("Alder", "Birch") for cell in (g, *[None] * 5))])
    rows.append(["Milling time, h", *(c for _, t in SAMPLES for c in (t / 60, None))])
    rows.append(["Sample", *(c for n in range(6) for c in (f"S{n + 1}", None))])
    rows.append(["Sieve, mm", *["Empty, g", "Full, g"] * 6])
    for k, aperture in enumerate(APERTURES):
        cells = (c for n in range(6) for c in (tare(n, k), gross(n, k)))
        rows.append([aperture / 1000 or "Pan", *cells])
    rows += [[], ["Total powder", *[None, 50.0] * 6], [], ["Balance checked on Monday"]]
    return rows


def samples_down():
    """Samples in rows, sieves in columns, two columns each, names that hold group and time."""
    rows = [["Sample", "Date", *(c for a in APERTURES for c in (f"{a} µm" if a else "pan", None))]]
    rows.append([None, None, *["empty", "full"] * 5])
    for n, (group, time) in enumerate(SAMPLES):
        cells = (c for k in range(5) for c in (tare(n, k), gross(n, k)))
        rows.append([f"{group}-{time}", "2026-03-02", *cells])
    return [*rows, ["Mean", None, *[400.0] * 10]]


def shared_tares():
    """One column of empty masses for all samples; time and ratio in the names."""
    names = [f"{time} min, {5 if group == 'Alder' else 10}:1" for group, time in SAMPLES]
    rows = [["Aperture/µm", "Tare/g", *names]]
    for k, aperture in enumerate(APERTURES):
        loaded = (gross(n, k, TARES[k]) for n in range(6))
        rows.append([aperture or "pan", TARES[k], *loaded])
    return [*rows, ["Loss, %", None, *[0.4] * 6]]


def two_rows_a_sample():
    """Samples in rows, one row empty and one with powder, kg, bench and ball ratio beside them."""
    heads = [f"{a / 1000} mm" if a else "Bottom pan" for a in APERTURES]
    rows = [["Run", "Bench", "Milling time, min", "Ball ratio", "Weighing, kg", *heads]]
    for n, (group, time) in enumerate(SAMPLES):
        ratio = "5:1" if n % 2 else "10:1"
        masses = [[f"{each(n, k) / 1000:.5f}" for k in range(5)] for each in (tare, gross)]
        rows.append([f"R{n + 1}", group, time, ratio, "empty", *masses[0]])
        rows.append([None, None, None, None, "with powder", *masses[1]])
    return rows


def powder_and_shares():
    """Empty, full, powder and share side by side; apertures in µm and mm; sample masses below."""
    rows = [[None, None, *(c for n in range(6) for c in (None, f"P{n + 1}", None, None))]]
    rows.append(["Time", None, *(c for _, t in SAMPLES for c in (f"{t} min", None, None, None))])
    rows.append(["Sieve µm", "Sieve mm", *["Empty", "Loaded", "Powder", "%"] * 6])
    for k, aperture in enumerate(APERTURES):
        row = [aperture or "pan", aperture / 1000 or "pan"]
        for n in range(6):
            net = round(gross(n, k) - tare(n, k), 2)
            row += [tare(n, k), gross(n, k), net, round(net / 50 * 100, 1)]
        rows.append(row)
    masses = (c for n in range(6) for c in (None, 50.9 + n / 100, None, None))
    return [*rows, ["Sample mass, g", None, *masses]]


def save(rows, path, sheet="Sieving", separator=";", comma=True):
    """Write a table as the ending of the path says; CSV with decimal commas unless told."""
    if path.suffix == ".xlsx":
        book = openpyxl.Workbook()
        book.active.title = sheet
        for row in rows:
            book.active.append(row)
        book.save(path)
    elif path.suffix == ".ods":
        path.write_bytes(b"")
        save_ods({sheet: rows}, path)
    else:

        def text(cell):
            shown = "" if cell is None else str(cell)
            return shown.replace(".", ",") if comma and isinstance(cell, float) else shown

        lines = (separator.join(map(text, row)) for row in rows)
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def save_ods(sheets, path, raw=""):
    """Write an ODS workbook as small as readers accept; `raw` goes into the first sheet."""
    names = ("office", "table", "text")
    spaces = " ".join(f'xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"' for n in names)
    kind = "application/vnd.oasis.opendocument.spreadsheet"

    def cell(value):
        if value is None:
            return "<table:table-cell/>"
        if isinstance(value, str):
            shown = f"<text:p>{escape(value)}</text:p>"
            return f'<table:table-cell office:value-type="string">{shown}</table:table-cell>'
        shown = f'office:value-type="float" office:value="{value}"'
        return f"<table:table-cell {shown}><text:p>{value}</text:p></table:table-cell>"

    tables = ""
    for name, rows in sheets.items():
        body = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>"
                       for row in rows)  # fmt: skip
        tables += f'<table:table table:name="{name}">{body}{raw}</table:table>'
        raw = ""
    with zipfile.ZipFile(path, "w", 8) as out:
        out.writestr("mimetype", kind)
        out.writestr("content.xml", '<?xml version="1.0" encoding="UTF-8"?>'
                     f'<office:document-content {spaces} office:version="1.3"><office:body>'
                     f"<office:spreadsheet>{tables}</office:spreadsheet></office:body>"
                     "</office:document-content>")  # fmt: skip
        out.writestr("META-INF/manifest.xml", '<?xml version="1.0" encoding="UTF-8"?>'
                     '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:'
                     f'manifest:1.0"><manifest:file-entry manifest:full-path="/" '
                     f'manifest:media-type="{kind}"/></manifest:manifest>')  # fmt: skip
