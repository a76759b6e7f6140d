"""Pages in a browser: what fits, what the script does, what is printed. Needs ``chromium`` (conftest)."""

import html
import json
import re
import subprocess

import pytest

import junction
from tests.show import samples
from tests.show.test_bag_page import part, report

FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
         "--virtual-time-budget=4000", "--enable-logging=stderr")  # fmt: skip

LOOK = """
onload = () => {
  const told = [];
  for (const frame of document.querySelectorAll("iframe")) {
    const d = frame.contentDocument, w = frame.clientWidth, whole = d.documentElement.scrollWidth;
    const one = { page: frame.dataset.page, width: w, whole, wide: [], small: [], pale: [] };
    const row = d.querySelector(".group tbody tr");
    one.first = row && row.getBoundingClientRect().top;
    const paper = (e) => { for (; e; e = e.parentElement) {
      const c = frame.contentWindow.getComputedStyle(e).backgroundColor.match(/[\\d.]+/g).map(Number);
      if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
    const light = (c) => { const [r, g, b] = c.slice(0, 3).map((x) => (x /= 255) <= 0.03928 ? x / 12.92
      : ((x + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    for (const e of d.body.querySelectorAll("*")) {
      if (e.matches("svg *, .skip, script, source")) continue;
      const box = e.getBoundingClientRect(), style = frame.contentWindow.getComputedStyle(e);
      const name = e.tagName + "." + e.className + " " + e.textContent.slice(0, 30);
      if (box.width && box.right > w + 1) one.wide.push(name);
      if (style.overflowX !== "visible" && e.scrollWidth > e.clientWidth + 1) one.wide.push("inside " + name);
      if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()) || !box.width) continue;
      if (parseFloat(style.fontSize) < 12) one.small.push(name);
      const [a, b] = [light(style.color.match(/[\\d.]+/g).map(Number)), light(paper(e))];
      if ((Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 4.5) one.pale.push(name);
    }
    told.push(one);
  }
  document.body.dataset.told = JSON.stringify(told);
};
"""


def browse(tmp_path, page, *more):
    """The page as the browser has it after its scripts, and what it complained of."""
    own = f"--user-data-dir={tmp_path / 'profile'}"
    run = subprocess.run(["chromium", *FLAGS, own, *more, page.as_uri()], capture_output=True, text=True,
                         check=False, timeout=120)  # fmt: skip
    return run.stdout, [line for line in run.stderr.split("\n") if "CONSOLE" in line]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Pages of several commands, with long names among them."""
    folder = tmp_path_factory.mktemp("pages")
    long = "a_part_whose_name_is_longer_than_a_phone_is_wide_in_one_word"
    six = {"B-E": 0.654, "E-B": "OL", "B-C": 0.642, "C-B": 1.203, "C-E": 0.633, "E-C": "OL"}
    verdicts = [*report().verdicts, part(long, "leaky", 3e-4, most=1e-4, type_=long.upper())]
    verdicts += [*(part(f"G{k}", "good", type_="BC547B") for k in range(30)), part(long + "2", "good")]
    every = {
        "sort": samples.sort_result(report(verdicts)), "sort2": samples.sort_result(samples.sort_report()),
        "unread": junction.check({k: v for k, v in six.items() if k != "B-E"}, type="BC547B"),
        "check": junction.check(six, type="BC547B"),
        "resistor": junction.resistor("8ohm", power="50W", part_power="10W"),
        "substitute": junction.substitute("2N3055", "MJ15003"),
        "stage": junction.stage(power="30W", load="8ohm", supply="30V", emitter_resistor="0.47ohm"),
    }
    for name, result in every.items():
        (folder / f"{name}.html").write_text(result.contents()[f"{result.command}.html"])
    return folder, [*every]


def frames(folder, names, widths):
    """A page of frames of several widths, and a script that measures what is in them."""
    inside = "".join(
        f'<iframe data-page="{name}" src="{name}.html" style="width:{w}px;height:700px;border:0"></iframe>'
        for name in names for w in widths)  # fmt: skip
    page = folder / "frames.html"
    page.write_text(f"<body>{inside}<script>{LOOK}</script>")
    return page


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_nothing_is_wider_than_the_screen_nor_pale(tmp_path, written, dark):
    folder, names = written
    page = frames(folder, names, (360, 800) if not dark else (360,))
    shown, complaints = browse(tmp_path, page, "--dump-dom", "--window-size=1500,800",
                               f"--blink-settings=preferredColorScheme={0 if dark else 1}")  # fmt: skip
    told = json.loads(html.unescape(re.search(r'data-told="([^"]*)"', shown)[1]))
    assert len(told) == len(names) * (1 if dark else 2) and complaints == []
    for one in told:
        assert one["whole"] <= one["width"] and not one["wide"] and not one["pale"] and not one["small"], one
    first = next(one for one in told if one["page"] == "sort" and one["width"] == 360)
    assert first["first"] < 470  # the first verdict is on the first screen of a phone


def test_the_script_finds_filters_and_sorts(tmp_path, written):
    """Typed into by a second script, as a user would; the hash of a hidden part takes the filter off."""
    folder, _ = written
    text = (folder / "sort.html").read_text()
    act = """<script>
      const told = [], all = (what) => [...document.querySelectorAll(what)];
      const seen = () => all("[data-t]").filter((e) => e.offsetParent).length;
      const [find, which, output] = ["input", "select", "output"].map((n) => all(".find " + n)[0]);
      find.value = "bc547b L1"; find.oninput(); told.push(seen(), output.textContent);
      find.value = ""; which.value = "open"; which.onchange(); told.push(seen(), output.textContent);
      told.push(all("article").filter((e) => !e.hidden).length);
      which.value = ""; which.onchange(); told.push(output.textContent);
      const tags = () => all("#leaky tbody th").map((e) => e.textContent.slice(0, 2));
      const head = all("#leaky thead th").find((e) => /limit/.test(e.textContent));
      head.firstChild.click(); told.push(tags().join(), head.getAttribute("aria-sort"));
      head.firstChild.click(); told.push(tags().join());
      document.body.dataset.told = JSON.stringify(told);
    </script>"""
    (folder / "acted.html").write_text(text.replace("</body>", act + "</body>"))
    shown, complaints = browse(tmp_path, folder / "acted.html", "--dump-dom")
    told = json.loads(html.unescape(re.search(r'data-told="([^"]*)"', shown)[1]))
    assert complaints == []
    assert told[:6] == [1, "1 of 44 parts", 1, "1 of 44 parts", 1, ""]
    assert told[6:] == ["L3,a_,L1,L2", "ascending", "L2,L1,a_,L3"]


def test_three_hundred_parts_print_on_a_few_dozen_sheets(tmp_path):
    """Half of them good, the others of every verdict."""
    words = ("undecided", "leaky", "shorted", "open")
    verdicts = [part(f"P{k}", (*words, *["good"] * 4)[k % 8], 1e-6 * (k + 1), most=1e-4, type_=f"T{k % 9}")
                for k in range(300)]  # fmt: skip
    page = tmp_path / "sort.html"
    page.write_text(samples.sort_result(report(verdicts)).contents()["sort.html"])
    browse(tmp_path, page, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'sheets.pdf'}")
    sheets = (tmp_path / "sheets.pdf").read_bytes()
    assert 5 < len(re.findall(rb"/Type\s*/Page\b", sheets)) <= 40


def test_every_table_has_a_name_and_headings_do_not_jump(written):
    """What a reader of the page by ear steers by."""
    folder, names = written
    for name in names:
        text = (folder / f"{name}.html").read_text()
        levels = [int(n) for n in re.findall(r"<h([1-6])", text)]
        assert levels[0] == 1 and levels.count(1) == 1, name
        assert all(b <= a + 1 for a, b in zip(levels, levels[1:], strict=False)), (name, levels)
        for table in re.findall(r"<table.*?</table>", text, re.DOTALL):
            assert ("aria-label=" in table.split(">")[0] or "<caption" in table) and 'scope="row"' in table
