"""The report: one file for two readers that fetches nothing, whatever the case says."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Mapping
from datetime import UTC, datetime
from html.parser import HTMLParser
from importlib import resources
from typing import Any

import pytest
from click.testing import CliRunner
from loopodds.advice.assessment import assess
from loopodds.base.errors import FileError
from loopodds.base.phrases import sentence
from loopodds.casebook.book import CaseBook
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.inspection.case_file import load_case
from loopodds.papers.content import START, Report
from loopodds.papers.writing import CUSTOMER, document_of
from loopodds.report.document import (
    Columns,
    Document,
    Dotted,
    Drawing,
    Drawings,
    Facts,
    Heading,
    Items,
    Offer,
    Offers,
    Paragraph,
    Part,
    Shot,
    Signatures,
    Table,
    escaped,
    render,
)
from loopodds_cli.main import main
from loopodds_cli.papers import printed
from shared import luminance

WHEN = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
WET = """
[vehicle]
refrigerant = "R134a"
nameplate_charge = "520 g"
expansion = "TXV"
compressor = "fixed"
[conditions]
setting = "complaint"
ambient = "31 degC"
[history]
opened_without_new_drier = "yes"
[findings]
intermittent_cooling = "yes"
slow_swing = "yes"
sample_bubbles = "persisting"
moisture_indicator = "wet"
[readings]
low_side = "1.6 bar"
"""
NASTY = '</title><script src=//x.test/a.js></script><img src=https://x.test/b.png> & "q" |`*_'


SHOT = Shot(NASTY, "data:image/png;base64,AAAA")


def report(model: Model, text: str = WET, **options: Any) -> Report:
    return Report(assess(load_case(text, model.knowledge), model), WHEN, **options)


@pytest.fixture(scope="module")
def wet(model) -> Report:
    return report(model)


@pytest.fixture(scope="module")
def page(wet) -> str:
    return render(document_of(wet), "html")


class Reader(HTMLParser):
    """Collects what a browser would fetch, the headings, and images without a text."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "col"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.headings: list[int] = []
        self.mute: int = 0
        self.tags: set[str] = set()
        self.language = ""
        self.policy = ""
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given: Mapping[str, str | None] = dict(attrs)
        self.tags.add(tag)
        for key in ("src", "href", "action", "data", "poster", "srcset", "background"):
            if given.get(key):
                self.fetched.append(str(given[key]))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "img" and not given.get("alt"):
            self.mute += 1
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = given.get("content") or ""
        if tag == "html":
            self.language = given.get("lang") or ""
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] != ["style"]:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def assert_fetches_nothing(text: str) -> None:
    found = Reader(text)
    assert all(link.startswith("data:image/") for link in found.fetched)
    assert not found.tags & {"script", "iframe", "link", "object", "embed", "form"}
    style = "".join(re.findall(r"<style>(.*?)</style>", text, re.DOTALL))
    assert "@import" not in style
    assert "url(" not in style
    assert "default-src 'none'" in found.policy


def test_the_page_fetches_nothing(page):
    assert_fetches_nothing(page)


def test_the_page_can_be_read_by_everyone(page):
    found = Reader(page)
    assert found.language == "en"
    assert found.mute == 0
    assert found.open == []
    assert found.headings[:2] == [1, 2]
    assert found.headings.count(1) == 2  # one for each reader
    # no level is left out on the way down
    for above, below in zip(found.headings, found.headings[1:], strict=False):
        assert below <= above + 1


def test_headings_and_text_stand_out_from_the_paper():
    css = resources.files("loopodds.report").joinpath("templates", "report.css").read_text("utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))
    for name in ("ink", "faint", "accent", "warn"):
        # 4.5 to 1 is the least contrast of text (WCAG 2.1, 1.4.3)
        assert 1.05 / (luminance(colours[name]) + 0.05) >= 4.5


def customer(report: Report) -> str:
    return Reader(render(document_of(report, parts=(CUSTOMER,)), "html")).text


def test_the_customer_reads_what_was_found_and_how_sure(wet):
    text = customer(wet)
    assert "Water in the loop" in text
    assert "We are almost certain of this." in text
    assert "The moisture indicator shows wet" in text
    assert "What was not checked: " in text
    assert "search for leaks" in text
    for jargon in ("deciban", "log", "prior", "posterior", "odds", "bits", "_", " %"):
        assert jargon not in text.replace("a_", "").lower().replace("loopodds", "")


def test_the_record_holds_everything_that_was_recorded(wet, page):
    record = Reader(page).text.split("Record for the workshop")[1]
    for entry in wet.entries:
        assert sentence(entry.what) in record
    assert wet.knowledge.digest in record


def test_a_sound_car_is_told_so_and_is_not_sold_a_repair(model):
    sound = report(
        model,
        "[conditions]\nsetting = 'routine'\n[history]\nrecharged_by_mass_recently = 'yes'\n"
        "[findings]\ncooling = 'good'\nleak_detector = 'none'\n"
        "sample_darkening = 'none'\nsample_bubbles = 'none'\nsample_specks = 'none'\n",
    )
    text = customer(sound)
    assert "Nothing wrong" in text
    assert "the loop leaks" not in text.lower()
    assert "I agree" not in text


def test_an_unsettled_case_does_not_pretend(model):
    text = customer(report(model, "[findings]\nslow_swing = 'yes'\n"))
    assert "Not settled yet" in text or "Nothing wrong found so far" in text
    assert "certain" not in text


def test_only_what_somebody_wrote_down_is_told_as_an_outcome(model):
    closed = customer(report(model, WET + "[confirmed]\nmoisture = 'wet'\n"))
    assert "What it turned out to be Water in the loop" in closed
    assert "Written down by the workshop when the case was closed." in closed
    assert "turned out" not in customer(report(model))


def test_the_course_begins_before_anything_and_ends_with_the_belief(wet):
    assert wet.course[0].label == START
    assert len(wet.course) == 1 + len(wet.entries) == 7
    first, last = wet.course[0].probabilities, wet.course[-1].probabilities
    untold = report(wet.result.model, WET[: WET.index("[history]")]).result
    for ranked in wet.result.conditions:
        assert last[ranked.name] == pytest.approx(ranked.probability, abs=1e-12)  # same sums
    for ranked in untold.conditions:  # the same car, of which only why it came is known
        assert first[ranked.name] == pytest.approx(ranked.probability, abs=1e-12)


def test_a_case_of_the_book_brings_its_times_and_its_people(model, tmp_path):
    with CaseBook(tmp_path / "book.db") as book:
        desk = Casework(book, model, who=f"Kim {NASTY}", note="by torch")
        opened = desk.open(NASTY, [("refrigerant", "R134a"), ("setting", "complaint")])
        number = opened.state.number
        desk.record(number, [("moisture_indicator", "wet")])
        desk.record(number, [("sample_bubbles", "persisting")])
        answer = desk.undo(number)
        found = Report(assess(answer.inspection, model), WHEN, book.events(number))
    assert found.name == NASTY
    assert [e.what for e in found.entries][-2:] == [
        "Bubbles that stay in the sample: persisting",
        "undone: bubbles that stay in the sample = persisting",
    ]
    assert all(entry.time.startswith("20") for entry in found.entries)
    stored = found.course[-1].probabilities
    assert stored["moisture"] == pytest.approx(
        {c.name: c.probability for c in found.result.conditions}["moisture"], abs=1e-12
    )
    html = render(document_of(found), "html")
    assert_fetches_nothing(html)
    assert "by torch" in html
    assert "<script" not in html
    assert "x.test/b.png>" not in html


def test_markup_in_a_case_stays_text_in_every_form():
    document = Document(
        NASTY,
        (
            Part(
                "customer",
                [
                    Heading(1, NASTY),
                    Paragraph(NASTY),
                    Items((NASTY,), "caution"),
                    Table(NASTY, (NASTY, "b"), ((NASTY, "1"),), (1,)),
                    Dotted(NASTY, 0.4),
                    Facts([(NASTY, NASTY)]),
                    Offers([Offer(NASTY, [NASTY], NASTY, [NASTY])]),
                    Signatures([NASTY]),
                    Columns([Paragraph(NASTY)], [Drawings([Drawing(SHOT, NASTY)])]),
                ],
            ),
        ),
        NASTY,
    )
    html = render(document, "html")
    assert_fetches_nothing(html)
    assert "x.test" in Reader(html).text
    markdown = render(document, "md")
    assert "<img" not in markdown.replace("\\<", "")
    row = next(line for line in markdown.splitlines() if line.endswith("| 1 |"))
    assert len(re.findall(r"(?<!\\)\|", row)) == 3


def test_markdown_escapes_what_has_a_meaning():
    assert escaped("a|b <i> *c* [d](e) -") == r"a\|b \<i\> \*c\* \[d\](e) -"
    assert escaped("- no list") == r"\- no list"
    assert escaped("# no\nheading") == r"\# no heading"


def test_json_holds_the_assessment_the_explanation_and_the_course(wet):
    plain = json.loads(json.dumps(wet.as_json(), allow_nan=False))
    assert plain["assessment"]["conditions"][0]["name"] == "moisture"
    assert plain["explanation"]["weight_of_evidence"]["method"] == "exact"
    assert len(plain["course"]) == 7
    assert plain["written"].startswith("2026-11-25T09:00")


@pytest.mark.parametrize(
    ("name", "start"), [("r.html", "<!doctype html>"), ("r.md", "Workshop"), ("r.json", "{")]
)
def test_the_command_writes_the_form_its_file_is_named_for(name, start, tmp_path):
    case = tmp_path / "wet.toml"
    case.write_text(WET, encoding="utf-8")
    out = tmp_path / name
    result = CliRunner().invoke(main, ["report", str(case), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert out.read_text(encoding="utf-8").startswith(start)
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_the_command_prints_when_asked_and_says_where_to_write_when_not(tmp_path):
    case = tmp_path / "wet.toml"
    case.write_text(WET, encoding="utf-8")
    printed = CliRunner().invoke(main, ["report", str(case), "--out", "-", "--format", "json"])
    assert json.loads(printed.output)["case"] == "wet"
    refused = CliRunner().invoke(main, ["report", str(case)])
    assert refused.exit_code == 2
    assert "--out FILE" in refused.output


CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars",
)  # fmt: skip


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: nothing was looked at")
@pytest.mark.parametrize(("width", "what"), [(390, "a phone"), (794, "A4 at 96 dots an inch")])
def test_a_browser_shows_the_page_without_scrolling_sideways(page, tmp_path, width, what):
    """The page is put into a frame of the wanted width, which reports how wide it came out."""
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    frame = tmp_path / "frame.html"
    frame.write_text(
        f'<iframe id="f" src="page.html" style="width:{width}px;height:900px;border:0"></iframe>'
        "<script>f.onload = () => document.body.append('width ' + "
        "f.contentDocument.documentElement.scrollWidth)</script>",
        encoding="utf-8",
    )
    assert CHROMIUM is not None
    shown = subprocess.run(
        [CHROMIUM, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom",
         "--allow-file-access-from-files", "--virtual-time-budget=3000", frame.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    ).stdout  # fmt: skip
    found = re.search(r"width (\d+)", shown)
    assert found is not None, what
    assert int(found[1]) <= width


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: nothing was looked at")
def test_the_customer_page_prints_on_one_sheet(page, tmp_path):
    assert CHROMIUM is not None
    first = page.split('<article class="record">')[0] + "</main></body></html>"
    for paper in ("A4", "Letter"):
        sized = first.replace("@page {", f"@page {{ size: {paper};")
        file, pdf = tmp_path / f"{paper}.html", tmp_path / f"{paper}.pdf"
        file.write_text(sized, encoding="utf-8")
        subprocess.run(
            [CHROMIUM, *FLAGS, f"--user-data-dir={tmp_path / paper}", "--no-pdf-header-footer",
             f"--print-to-pdf={pdf}", file.as_uri()],
            capture_output=True, timeout=120, check=True,
        )  # fmt: skip
        assert len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())) == 1, paper


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed: nothing was printed")
def test_a_report_can_be_printed_to_pdf_at_once(page):
    found = printed(page)
    assert found.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", found)) >= 2


def test_without_a_browser_it_is_said_how_to_print(monkeypatch):
    monkeypatch.setenv("PATH", "")
    with pytest.raises(FileError, match=r"write \.html and print that from any browser"):
        printed("")
