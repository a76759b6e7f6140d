"""The sorted bag as text, CSV, JSON and page, failure states included."""

import csv
import io
import json
import re

import pytest

from junction.base.records import Bag
from junction.judge.results import PartVerdict, SortReport
from junction.show.blocks import coloured, visible
from tests.show import samples
from tests.show.trace import Page, untraced

REPORTS = {
    "sort_full": samples.sort_report(),
    "sort_empty": SortReport((), samples.METER, Bag(
        set_aside=samples.sort_bag().set_aside, files=("bag.csv",), rows_read=2)),
    "sort_failed_fit": samples.sort_report(verdicts=(PartVerdict(
        "F1", "undecided", samples.probability(good=0.5, open=0.5), junctions=(samples.JunctionVerdict(
            "AK", "undecided", samples.probability(good=0.5, open=0.5), (), ("One point is no sweep.",),
            samples.failed_fit(), sweep=0),), basis="sweeps"),), plots=0, bag=samples.sort_bag(set_aside=())),
}  # fmt: skip


def sort_page(report):
    return samples.sort_result(report).contents()["sort.html"]


def json_text(report):
    return samples.sort_result(report).to_json()


def terminal_text(report, **kwargs):
    return samples.sort_result(report).text(**kwargs)


@pytest.mark.parametrize("name", REPORTS)
def test_every_number_on_the_page_is_in_the_json(name):
    assert untraced(sort_page(REPORTS[name]), json_text(REPORTS[name]), visible) == []


def test_the_trace_would_find_a_number_that_is_not_in_the_json():
    """The check above can fail: change one number of the JSON, one word of the page."""
    report = REPORTS["sort_full"]
    page, document = sort_page(report), json_text(report)
    assert untraced(page, document.replace("1.234e-14", "1.235e-14"), visible)
    assert untraced(page.replace("OL the other.", "OL the other, 47 Ω."), document, visible)
    assert untraced(page.replace(">12.3<", ">12.5<"), document, visible)


def test_page_needs_nothing_from_outside():
    page = sort_page(REPORTS["sort_full"])
    read = Page(page)
    assert all(link.startswith(("#", "data:")) for link in read.links)
    assert "@import" not in page and "url(" not in page
    (script,) = re.findall(r"<script[^>]*>(.*?)</script>", page, flags=re.S)
    reaches = r"fetch|XMLHttp|WebSocket|Beacon|import|localStorage|sessionStorage|indexedDB|cookie|http|eval"
    assert len(script.encode()) <= 3072 and not re.search(reaches, script)
    assert len(read.images) == 2 + 3 and all(i["alt"] for i in read.images)  # a sweep, leads of three


def test_every_anchor_leads_somewhere():
    page = sort_page(REPORTS["sort_full"])
    targets = set(re.findall(r' id="([^"]+)"', page))
    assert {link[1:] for link in Page(page).links if link.startswith("#")} <= targets


def test_terminal_text_fits_80_columns_and_is_worst_first():
    text = terminal_text(REPORTS["sort_full"])
    assert max(map(len, text.split("\n"))) <= 80
    order = [line for line in text.split("\n")[2:] if re.search(r"  (shorted|leaky|undecided|good)  ", line)]
    assert [re.search(r"shorted|leaky|undecided|good", line).group() for line in order] == [
        "shorted", "leaky", "undecided", "good", "good"]  # fmt: skip
    assert "\x1b" not in text
    assert "\x1b[" in terminal_text(REPORTS["sort_full"], paint=coloured)


def many(n_good, n_bad):
    bad = tuple(samples.undecided_part() for _ in range(n_bad))
    return samples.sort_report(verdicts=bad + tuple(samples.good_part(f"N{k}") for k in range(n_good)))


def test_large_bags_count_the_good_ones():
    text = terminal_text(many(60, 3))
    assert "60 good (--all)" in text and "N59" not in text
    assert "N59" in terminal_text(many(60, 3), everything=True)
    text = terminal_text(many(0, 300))
    assert "100 further parts (--all)" in text
    assert "(--all)" not in terminal_text(many(40, 0))


def test_csv_neutralises_names():
    text = samples.sort_result(REPORTS["sort_full"]).contents()["verdicts.csv"]
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [r["part"] for r in rows][:3] == ["'=cmd|' /C calc'!A0", "A07", "\\x1b[2Jevil <b>"]
    assert float(rows[0]["p_shorted"]) == 0.9996


def test_json_contract():
    read = json.loads(json_text(REPORTS["sort_full"]))
    assert list(read)[:3] == ["format", "command", "parts"] and "set_aside" in read
    part = read["parts"][1]
    assert part["part"] == "A07" and part["verdict"] == "leaky" and part["faults"] == ["BE leaky"]
    known = {"kind": "bjt", "polarity": "NPN", "material": "silicon", "leads": {}, "called": ""}
    assert part["device"] == known
    fit = part["junctions"][0]["fit"]
    assert fit["IS"] == {"value": 1.234e-14, "low": 1.1e-14, "high": 1.4e-14}
    assert fit["RS"] == {"value": None, "low": 0.0, "high": 0.3} and fit["shunt"]["value"] == 47120.0
    assert set(part["alternatives"][0]) == {"faults", "device", "probability", "decided_by"}
    assert set(read["set_aside"][0]) == {"file", "row", "column", "value", "reason", "rows"}
