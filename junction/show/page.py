"""Blocks as a page that needs no network, and no script to be read.

A string is text and is escaped; only `Html` is markup.  A number that came from a result carries its
unrounded value in ``<data value=...>``, so that each number on a page can be laid beside the JSON.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from junction.show import blocks as b
from junction.show.canvas import WIDTH, Picture, beside, svg_text

_VOID = frozenset(("br", "col", "hr", "img", "input", "meta", "source"))

#: Letter symbols of quantities (IEC 60747-1), as the sentences write them: V_BE, h_FE, V_CE(sat), R_thJC.
_SYMBOL = re.compile(
    r"(?<![\w.-])(V(?=_(?:BE|CE|CB|EB|BR|[AFRTZ]))|I(?=_(?:[CBEFRZ]|S/b))|h(?=_(?:FE|fe))|R(?=_th)|P(?=_tot)|T(?=_j)"
    r"|f(?=_(?:T|hfb))|C(?=_ob)|Z(?=_Z)|t(?=_rr))_([A-Za-z]{1,4}\d?(?:/b)?(?:\((?:sat|on)\))?)(?![\w])"
)
#: The letter for "times" before a number.
_TIMES = re.compile(r"(?<![^\s(])x(?= \d)")

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
        if isinstance(child, str):
            yield escape(child)
        elif child is not None:
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
        return tag("span", str(content), class_=f"v v-{content.word}")
    if isinstance(content, b.Link):
        return tag("a", str(content), href=content.to if ".html" in content.to else f"#{content.to}")
    if isinstance(content, tuple):
        return Html("".join(markup(item) for item in content))
    return prose(content or "")


def prose(text: str) -> Html:
    """Text that is read, as markup: letter symbols with subscripts, signs for times and common practice."""
    if isinstance(text, Html):
        return text
    return Html(_TIMES.sub("×", _SYMBOL.sub(r"\1<sub>\2</sub>", escape(b.signed(text)))))


def _list(items: Iterable[b.Inline], role: str = "") -> Html | None:
    entries = [tag("li", markup(item)) for item in items]
    return tag("ul", entries, class_=role or None) if entries else None


def _table(block: b.Block, under: str) -> Html:
    """A table; with the style '' rows become small blocks on a narrow screen, so cells name their column.

    The first cell of a row is its heading; a table without a heading of its own is called as its section.
    """
    stacks = block.role not in ("values", "grid", "counts")

    def cells(row):
        for k, ((heading, right, _), cell) in enumerate(zip(block.columns, row, strict=True)):
            head = {"name": "th", "scope": "row"} if k == 0 and b.words(cell) else {"name": "td"}
            yield tag(head.pop("name"), markup(cell), class_="r" if right else None,
                      data_label=heading if stacks else None, **head)  # fmt: skip

    head = tag("tr", (
        tag("th", prose(heading), scope="col", class_="r" if right else None) if heading else tag("td")
        for heading, right, _ in block.columns
    ))  # fmt: skip
    style = f"stack {block.role}".rstrip() if stacks else block.role
    rows = tag("tbody", (tag("tr", cells(row), **getattr(row, "told", {})) for row in block.body))
    called = tag("caption", markup(block.heading)) if block.heading else None
    return tag("table", called, tag("thead", head), rows, class_=style,
               aria_label=None if called else under or None)  # fmt: skip


def _data(form: str, content: bytes) -> str:
    return f"data:image/{form};base64,{base64.b64encode(content).decode()}"


def _size(drawn) -> dict[str, object]:
    """Pixels that a drawing is shown at where nothing makes it smaller; a wide one is not halved in print."""
    wide = {"class_": "wide"} if drawn.width > WIDTH else {}
    return {"width": round(1.3 * drawn.width), "height": round(1.3 * drawn.height), **wide}


def _views(one: Picture) -> Iterable[Html]:
    """Each column of a picture as an image inside the page, whose ids cannot clash with another's."""
    for (alt, svg), column in zip(one.svgs(), one.columns, strict=True):
        image = tag("img", src=_data("svg+xml", svg.encode()), alt=alt, **_size(column))
        if one.narrow is not None:
            narrow = _data("svg+xml", svg_text(one.narrow, alt).encode())
            image = tag("picture", tag("source", media="(max-width:40rem)", srcset=narrow), image)
        yield image


def block_html(block: b.Block | Html | str, under: str = "") -> Html | None:
    """One block as markup; `under` is the heading of the section it stands in."""
    if isinstance(block, str):
        return block if isinstance(block, Html) else None  # a set line is for the terminal
    body, role = block.body, block.role
    headed = tag("h4", markup(block.heading)) if block.heading else ""
    match block.kind:
        case "text":
            name = {"title": "h1", "next": "div"}.get(role, "p")
            return tag(name, markup(body), class_=role if role != "title" and role else None)
        case "bullets" | "labelled":
            found = _list(body, role)
            return found and Html(headed + found)
        case "table":
            return _table(block, under) if body else None
        case "facts":
            return tag("dl", ((tag("dt", markup(name)), tag("dd", markup(value))) for name, value in body))
        case "cautions":
            # folded on a screen by the list behind, not in it: printed, and without styles, all of it stands
            found = _list([c.text for c in body])
            line = tag("details", tag("summary", b.danger(body)))
            return found and tag("aside", line, found, class_="caution", aria_label="Cautions")
        case "pictures":
            views = [view for one in body for view in _views(one)]
            views = tag("div", views, class_="views")
            return tag("figure", views, tag("figcaption", markup(block.heading)) if block.heading else None,
                       class_=role or None)  # fmt: skip
        case "code":
            lines = Html("\n".join(escape(line) for line in body.split("\n")))
            return tag("div", Html(headed), tag("pre", lines))
        case "beside":
            return tag("div", (block_html(inner, under) for inner in body), class_=role or "beside")
    name = "article" if role.startswith("part") else "section" if block.level == 2 else "div"
    heading = tag(f"h{block.level}", markup(block.heading)) if block.heading else None
    under = b.words(block.heading) or under
    inner = list(filter(None, (block_html(one, under) for one in body)))
    return tag(name, heading, inner, class_=role or None, id=block.id or None) if inner else None


def stylesheet(name: str) -> str:
    """Text of a stylesheet beside this module."""
    return (Path(__file__).parent / f"{name}.css").read_text(encoding="utf-8")


def script(name: str) -> Html:
    """The script beside this module, as a part of a page; what it adds to it the page does not need."""
    text = (Path(__file__).parent / f"{name}.js").read_text(encoding="utf-8")
    return tag("script", Html(text), class_="extra")


def document_html(title: str, style: str, *body: Child) -> str:
    """Whole document as text."""
    head = tag(
        "head", tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title), tag("style", Html(style)),
    )  # fmt: skip
    return "<!DOCTYPE html>\n" + tag("html", head, tag("body", *body), lang="en") + "\n"


def _css_text(text: str) -> str:
    """Text as a string of a stylesheet: what could end the string or the element is written by its number."""
    return '"' + "".join(c if c.isalnum() or c in " .,:;-_+/()" else f"\\{ord(c):x} " for c in text) + '"'


def sheet_lines(title: str, made: str = "") -> str:
    """Rules that put what, when, and which page of how many on every printed sheet."""
    page = 'content:"page " counter(page) " of " counter(pages)'
    return (f"@page{{@top-left{{content:{_css_text(b.visible(title))}}}"
            f"@top-right{{content:{_css_text(made)}}}@bottom-right{{{page}}}}}\n")  # fmt: skip


def page(title: str, blocks: Iterable[b.Block], made: str = "") -> str:
    """Whole page as text, with the one stylesheet of every page; `made` is when, for printed sheets."""
    skip = tag("a", "Skip to the content", class_="skip", href="#content")
    style = stylesheet("page") + sheet_lines(title, made)
    told = Html("".join(filter(None, (block_html(one, title) for one in blocks))))
    signs = tag("p", b.PRACTICE_MEANS, class_="soft") if b.PRACTICE in told else None
    main = tag("main", told, signs, id="content", tabindex="-1")
    return document_html(title, style, skip, main, tag("footer", tag("p", FOOTER)))


def fragment(blocks: Iterable[b.Block]) -> str:
    """Blocks as markup without a page around them, for a notebook.

    Pictures are PNG there: what shows notebooks strips SVG out of markup, as it may hold a script.
    """
    told = Html("".join(filter(None, map(_without_svg, blocks))))
    return tag("div", told, tag("p", b.PRACTICE_MEANS) if b.PRACTICE in told else None)


def _without_svg(block: b.Block | str) -> Html | None:
    kind = getattr(block, "kind", "")
    if kind in ("section", "beside"):
        return block_html(replace(block, body=list(filter(None, map(_without_svg, block.body)))))
    if kind != "pictures":
        return block_html(block)
    images = [
        tag("img", src=_data("png", one._repr_png_()), alt=one.alt, style="max-width:100%;height:auto",
            **_size(beside(one.columns)))
        for one in block.body
    ]  # fmt: skip
    return tag("figure", images, tag("figcaption", markup(block.heading)) if block.heading else None)
