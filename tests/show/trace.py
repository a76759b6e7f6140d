"""Read a page as a browser does and lay every number on it beside the JSON."""

import json
import re
from html.parser import HTMLParser

PREFIXES = [10.0**p for p in (0, -15, -12, -9, -6, -3, 3, 6, 9)]


class Page(HTMLParser):
    """Visible text outside <data>, the <data> pairs, and where in the page they stand."""

    SILENT = frozenset(("style", "script", "title", "head", "pre"))
    VOID = frozenset(("source", "meta", "img", "input", "br", "hr", "col"))

    def __init__(self, text):
        super().__init__()
        self.stack, self.text, self.data, self.images, self.links = [], [], [], [], []
        self.feed(text)
        assert self.stack == [], f"tags left open: {self.stack}"

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if tag == "img":
            self.images.append(attrs)
        for name in ("src", "href"):
            if name in attrs:
                self.links.append(attrs[name])
        assert not any(name.startswith("on") for name in attrs), "a script hook"
        if tag not in self.VOID:
            self.stack.append((tag, attrs))

    def handle_endtag(self, tag):
        name, _ = self.stack.pop()
        assert name == tag, f"</{tag}> closes <{name}>"

    def handle_data(self, data):
        tags = [t for t, _ in self.stack]
        classes = " ".join(a.get("class") or "" for _, a in self.stack)
        if self.SILENT & set(tags):
            return
        if tags and tags[-1] == "data":
            self.data.append((data, float(self.stack[-1][1]["value"])))
        elif "guide" not in classes.split() and "caution" not in classes.split():
            self.text.append(data)


def numbers_and_words(document):
    """All numbers, lengths of lists and words with a digit in the strings of a JSON text."""
    numbers, words = set(), set()

    def walk(x):
        if isinstance(x, dict):
            for key, value in x.items():
                words.update(re.findall(r"\S*\d\S*", key))
                walk(value)
        elif isinstance(x, list):
            numbers.add(float(len(x)))
            for value in x:
                walk(value)
        elif isinstance(x, str):
            words.update(re.findall(r"\S*\d\S*", x))
        elif isinstance(x, int | float) and not isinstance(x, bool):
            numbers.add(float(x))

    walk(json.loads(document))
    return numbers, words


def untraced(page, document, visible):
    """What on the page cannot be found in the JSON: numbers that are not there, or are shown wrongly."""
    read = Page(page)
    numbers, words = numbers_and_words(document)
    words = {visible(w) for w in words}
    bad = []
    for shown, value in read.data:
        if value not in numbers:
            bad.append(f"{shown}: {value!r} is not in the JSON")
        elif not agrees(shown, value):
            bad.append(f"{shown} is shown for {value!r}")
    for text in read.text:
        for word in re.findall(r"\S*\d\S*", text):
            if word not in words and word.strip(".,;:()") not in {w.strip(".,;:()") for w in words}:
                bad.append(f"{word!r} in {text!r}")
    return bad


def agrees(shown, value):
    """Whether the text is the value, rounded at its last place (one place outwards for a limit)."""
    bare = shown.strip("<> %")
    mantissa, _, exponent = bare.partition("e")
    place = len(mantissa.partition(".")[2])
    last = 10.0 ** (int(exponent or 0) - place)
    if "." not in mantissa:  # 12300: rounded at one of its trailing zeros
        last *= 10.0 ** (len(mantissa) - len(mantissa.rstrip("0")))
    scales = [0.01] if "%" in shown else PREFIXES
    return any(abs(float(bare) * s - value) <= 1.0001 * last * s + 1e-12 * abs(value) for s in scales)
