"""The demo tour end to end: from the first command to a report that comes out the same again."""

import csv
import hashlib
import html
import json
import re
import shlex
import shutil

from psdstats_cli.commands.report import EXAMPLE

from psdstats import read_study
from psdstats.study import check_study

LINEAR = ("--method", "linear")
PARTS = {"report.html", "provenance.json", "tables/sizes.csv", "tables/all-tables.xlsx"}


def _text(page):
    """What a page says, without its tags."""
    bare = html.unescape(re.sub(r"<[^>]*>", " ", page)).replace("\u00a0", " ")
    return " ".join(bare.split())


def _asked(question):
    """A question as it is, a heading that asks nothing with a colon."""
    return question if question.endswith("?") else f"{question}:"


def test_the_same_report_comes_out_again(psdstats, small_report, tmp_path, contents):
    quiet = psdstats(*small_report.words, "--out", "b", "--quiet")
    assert (quiet.code, quiet.err) == (0, "")
    document = json.loads(small_report.out)
    assert quiet.out.splitlines() == [
        document["sentences"][0],
        *(f"{_asked(one['question'])} {one['answer']}" for one in document["answers"]),
        f"Report: {tmp_path / 'b' / 'report.html'}",
    ]
    assert [one["answer"] for one in document["answers"]] == document["sentences"][1:]
    assert contents(small_report.folder) == contents(tmp_path / "b")
    assert set(contents(tmp_path / "b")) >= PARTS
    same, other = (
        psdstats("sizes", small_report.study, "--draws", "4000", "--seed", seed, "--json").out
        for seed in ("7", "8")
    )
    assert same != other


def test_tour_of_a_study_with_groups(psdstats, few_runs, tmp_path, contents):
    """The example of the command as it is printed, but by the linear law instead of draws."""
    inputs = contents(few_runs)
    said = psdstats(*shlex.split(EXAMPLE)[1:], *LINEAR)
    assert said.code == 0
    assert contents(few_runs) == inputs
    written = contents(tmp_path / "my-report")
    assert set(written) >= PARTS
    assert len(check_study(read_study(few_runs)).of_severity("warning")) == 1
    assert said.err == "psdstats: 1 warning from the bench checks; see: psdstats check my-trial\n"

    page = written["report.html"].decode()
    for level, heading in (
        ("h2", "Cautions"),
        ("h2", "Appendix"),
        ("h3", "The study"),
        ("h3", "Method"),
        ("h3", "References"),
        ("h3", "Provenance"),
    ):
        assert f">{heading}</{level}>" in page
    assert re.search(r"""(?:src|href)=["'](?!#|data:)""", page) is None
    *sentences, last = said.out.splitlines()
    assert len(sentences) >= 4
    text = _text(page)
    for sentence in sentences:
        assert sentence.replace("Act on: ", "Act on ", 1) in text  # a heading of the page
    assert last == f"Report: {tmp_path / 'my-report' / 'report.html'}"

    record = json.loads(written["provenance.json"])
    for name in ("runs.csv", "weighings.csv", "study.toml", "sieves.csv"):
        assert record["inputs"][name] == hashlib.sha256(inputs[name]).hexdigest()
    assert record["options"]["by"] == "milling_time_min"
    assert record["seed"] == 0


def test_existing_report_is_refused_before_it_is_replaced(
    psdstats, small_report, tmp_path, contents
):
    shutil.copytree(small_report.folder, tmp_path / "r")
    words = ("report", small_report.study, *LINEAR, "--out", "r")
    before = contents(tmp_path / "r")
    refused = psdstats(*words)
    assert (refused.code, refused.out) == (2, "")
    assert refused.err == (
        f"psdstats: {tmp_path / 'r'} exists already. Choose another name, or add --replace.\n"
    )
    assert contents(tmp_path / "r") == before
    (tmp_path / "r" / "report.html").write_text("mine now", encoding="utf-8")
    changed = psdstats(*words, "--replace")
    assert changed.code == 2
    assert "was changed after psdstats wrote it" in changed.err
    assert (tmp_path / "r" / "report.html").read_text(encoding="utf-8") == "mine now"


def test_decimal_comma_reaches_every_part_of_the_page(small_report):
    document = json.loads(small_report.out)
    assert document["report"] == str(small_report.folder / "report.html")
    page = (small_report.folder / "report.html").read_text(encoding="utf-8")
    first = _text(page[page.index('id="answer"') : page.index("<nav")])
    assert re.search(r"\d,\d", first)
    assert re.search(r"\d\.\d", first) is None
    captions = re.findall(r"<figcaption>(.*?)</figcaption>", page, re.DOTALL)
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", page)
    drawn = re.findall(r"<title>([^<]*)</title>", page)[1:]
    for text in (*captions, *cells, *drawn):
        assert re.search(r"(?<![\w.-])\d+\.\d+(?![\w.])", text) is None, text


def test_target_size_is_answered_and_recorded(small_report):
    assert small_report.code == 0
    page = (small_report.folder / "report.html").read_text(encoding="utf-8")
    assert "150 µm" in _text(page[page.index('id="answer"') : page.index("<nav")])
    record = json.loads((small_report.folder / "provenance.json").read_text(encoding="utf-8"))
    assert "--target-um 150" in record["repeat_with"]
    assert record["options"]["target_um"] == 150.0


def test_a_comparison_that_the_study_does_not_allow_leaves_the_rest(psdstats, two_times):
    """One ball ratio is nothing to compare; asked for on the command line it is refused."""
    with (two_times / "runs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (two_times / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows({**row, "ball_ratio": "5"} for row in rows)
    settings = two_times / "study.toml"
    told = settings.read_text(encoding="utf-8").replace("[compare]", '[compare]\nby = "ball_ratio"')
    settings.write_text(told, encoding="utf-8")
    said = psdstats("report", two_times, *LINEAR, "--out", "r", "--json")
    assert said.code == 0
    page = (two_times.parent / "r" / "report.html").read_text(encoding="utf-8")
    assert "Not computed: Column ball_ratio holds the single value 5" in page
    assert ">Method</h3>" in page
    assert psdstats("report", two_times, *LINEAR, "--out", "s", "--by", "ball_ratio").code == 2
