"""Blocks as a page that needs no network and no script.

A string is text and is escaped; only `Html` is markup.  A number that came from a result carries its
unrounded value in ``<data value=...>``, so that each number on a page can be laid beside the JSON.
"""

from __future__ import annotations

import base64
import html
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from junction.show import blocks as b

_VOID = frozenset(("br", "col", "hr", "img", "meta"))

FOOTER = (
    "Measurements decide, not this sheet: where they disagree, measure again. "
    "Local codes and licensed practice come first."
)


class Html(str):
    """Markup that is already safe."""

    __slots__ = ()


Child = str | Iterable["Child"] | None


def escape(text: str) -> Html:
    """Text as markup; characters that would not print are written out."""
    return text if isinstance(text, Html) else Html(html.escape(b.visible(str(text))))


def _children(children: Iterable[Child]) -> Iterable[str]:
    for child in children:
        if child is None:
            continue
        if isinstance(child, str):
            yield escape(child)
        else:
            yield from _children(child)


def tag(name: str, /, *children: Child, **attributes: object) -> Html:
    """One element.

    Parameters
    ----------
    name : str
    *children : str, Html, None or iterables of them
        Plain strings are escaped.
    **attributes
        ``class_`` is written ``class``; other underscores become hyphens; None leaves one out, True
        writes the bare name.
    """
    written = ""
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        key = key.rstrip("_").replace("_", "-")
        written += f" {key}" if value is True else f' {key}="{html.escape(b.visible(str(value)))}"'
    if name in _VOID:
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{''.join(_children(children))}</{name}>")


def markup(content: b.Inline) -> Html:
    """Inline content; a number stays on one line where it is short."""
    if isinstance(content, b.Num):
        return tag("span", (text if value is None else tag("data", text, value=repr(float(value)))
                            for text, value in content.pieces), class_="num")  # fmt: skip
    if isinstance(content, b.Badge):
        return tag("span", b.words(content), class_=f"v v-{content.word}")
    if isinstance(content, b.Link):
        return tag("a", content.text, href=f"#{content.to}")
    if isinstance(content, tuple):
        return Html("".join(markup(item) for item in content))
    return escape(content or "")


def _list(items: Iterable[b.Inline], role: str = "") -> Html | None:
    entries = [tag("li", markup(item)) for item in items]
    return tag("ul", entries, class_=role or None) if entries else None


def _table(block: b.Table) -> Html:
    """A table; with the style '' rows become small blocks on a narrow screen, so cells name their column."""
    right = [column.align == "right" for column in block.columns]
    stacks = block.style in ("", "overview")

    def cells(row):
        for column, cell, r in zip(block.columns, row, right, strict=True):
            if block.style == "grid" and column is block.columns[0]:
                yield tag("th", markup(cell), scope="row")
            else:
                label = column.heading if stacks else None
                yield tag("td", markup(cell), class_="r" if r else None, data_label=label)

    head = tag("tr", (tag("th", column.heading, scope="col", class_="r" if r else None)
                      for column, r in zip(block.columns, right, strict=True)))  # fmt: skip
    rows = (tag("tr", cells(row)) for row in block.rows)
    style = {"": "stack", "overview": "stack overview"}.get(block.style, block.style)
    table = tag("table", tag("thead", head), tag("tbody", rows), class_=style)
    return Html(tag("h4", block.heading) + table) if block.heading else table


def _image(alt: str, svg: str) -> Html:
    """An SVG picture inside the page itself; as an image its ids cannot clash with another's."""
    source = "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
    return tag("img", src=source, alt=alt, width=336, height=250)


def _section(block: b.Section) -> Html:
    inside = [block_html(b) for b in block.blocks]
    heading = tag(f"h{block.level}", markup(block.heading))
    if block.role.startswith("part"):
        return tag("article", heading, inside, class_=block.role, id=block.id or None)
    name = "section" if block.level == 2 else "div"
    return tag(name, heading, inside, id=block.id or None, class_=block.role or None)


def block_html(block: b.Block | Html | str) -> Html | None:
    """One block as markup."""
    if isinstance(block, str):
        return block if isinstance(block, Html) else None  # a set line is for the terminal
    if isinstance(block, b.Text):
        if block.role == "title":
            return tag("h1", markup(block.content))
        name = "div" if block.role == "next" else "p"
        return tag(name, markup(block.content), class_=block.role or None)
    if isinstance(block, b.Bullets):
        found = _list(block.items, block.role)
        return Html(tag("h4", block.heading) + found) if found and block.heading else found
    if isinstance(block, b.Labelled):
        return Html(tag("h4", block.label) + _list(block.items)) if block.items else None
    if isinstance(block, b.Table):
        return _table(block)
    if isinstance(block, b.Facts):
        return tag("dl", ((tag("dt", markup(name)), tag("dd", markup(value))) for name, value in block.pairs))
    if isinstance(block, b.Cautions):
        found = _list([c.text for c in block.items])
        return found and tag("aside", tag("h2", "Before you touch the board"), found, class_="caution",
                             role="note")  # fmt: skip
    if isinstance(block, b.Pictures):
        views = tag("div", (_image(alt, svg) for alt, svg in block.pictures), class_="views")
        caption = tag("figcaption", markup(block.caption)) if block.caption else None
        return tag("figure", views, caption)
    if isinstance(block, b.Code):
        lines = Html("\n".join(escape(line) for line in block.text.split("\n")))
        return tag("div", tag("h4", block.heading) if block.heading else None, tag("pre", lines))
    if isinstance(block, b.Beside):
        return tag("div", [block_html(b) for b in block.blocks], class_="beside")
    return _section(block)


@cache
def stylesheet() -> str:
    """The one stylesheet of every page."""
    return (Path(__file__).parent / "page.css").read_text(encoding="utf-8")


def page(title: str, blocks: Iterable[b.Block], footer: b.Inline = FOOTER, style: str = "") -> str:
    """Whole page as text; `style` is put after the common stylesheet."""
    head = tag(
        "head", tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title), tag("style", Html(stylesheet() + style)),
    )  # fmt: skip
    foot = tag("footer", tag("p", markup(footer))) if footer else None
    body = tag("body", tag("main", [block_html(b) for b in blocks]), foot)
    return "<!DOCTYPE html>\n" + tag("html", head, body, lang="en") + "\n"


def fragment(blocks: Iterable[b.Block]) -> str:
    """Blocks as markup without a page around them, for a notebook."""
    return tag("div", [block_html(b) for b in blocks])
