"""Small escaped tag helpers, and the frame of a page that needs no network and no script.

A string is text and is escaped; only what these helpers return (`Html`) is markup.  A number that came
from a result is written with `datum`, which carries the unrounded value in ``<data value=...>``, so
that each number on a page can be laid beside the JSON.
"""

from __future__ import annotations

import html as _html
from collections.abc import Iterable, Sequence

from junction.base.number import Pieces
from junction.show.style import STYLESHEET
from junction.show.text import visible

_VOID = frozenset(("br", "col", "hr", "img", "meta"))


class Html(str):
    """Markup that is already safe."""

    __slots__ = ()


Child = str | Iterable["Child"] | None


def escape(text: str) -> Html:
    """Text as markup; characters that would not print are written out."""
    return text if isinstance(text, Html) else Html(_html.escape(visible(str(text))))


def _children(children: Iterable[Child]) -> Iterable[str]:
    for child in children:
        if child is None:
            continue
        if isinstance(child, str):
            yield escape(child)
        else:
            yield from _children(child)


def join(*children: Child) -> Html:
    """Markup of several children, one after the other."""
    return Html("".join(_children(children)))


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
        written += f" {key}" if value is True else f' {key}="{_html.escape(visible(str(value)))}"'
    if name in _VOID:
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{''.join(_children(children))}</{name}>")


def datum(text: str, value: float) -> Html:
    """A number as shown, carrying its unrounded value in SI units."""
    return tag("data", text, value=repr(float(value)))


def number(pieces: Pieces) -> Html:
    """Pieces of `junction.base.number`, each number carrying its value; kept on one line where short."""
    parts = (text if value is None else datum(text, value) for text, value in pieces)
    return tag("span", parts, class_="num")


def count(n: int) -> Html:
    """A count."""
    return datum(str(n), n)


def counted(n: int, one: str, many: str = "") -> Html:
    """A count with its word: ``1 sweep``, ``2 sweeps``; `many` for plurals that do not end in s."""
    return join(count(n), f" {one if n == 1 else many or one + 's'}")


def table(
    headings: Sequence[Child], rows: Iterable[Sequence[Child]], class_: str = "", numeric: Sequence[int] = ()
) -> Html:
    """A table with a heading row; columns listed in `numeric` are set to the right.

    With the class ``stack`` (the default) each row becomes a small block on a narrow screen, so every
    cell repeats its heading for that.
    """
    right = frozenset(numeric)
    labels = [h if isinstance(h, str) else "".join(_children([h])) for h in headings]

    def cells(row: Sequence[Child]) -> Iterable[Html]:
        for k, (child, label) in enumerate(zip(row, labels, strict=True)):
            yield tag("td", child, class_="r" if k in right else None, data_label=label)

    head = tag("tr", (tag("th", h, scope="col", class_="r" if k in right else None)
                      for k, h in enumerate(headings)))  # fmt: skip
    return tag("table", tag("thead", head), tag("tbody", (tag("tr", cells(row)) for row in rows)),
               class_=class_ or "stack")  # fmt: skip


def bullets(items: Iterable[Child], class_: str = "") -> Html:
    """An unordered list, or nothing when there are no items."""
    entries = [tag("li", item) for item in items]
    return tag("ul", entries, class_=class_ or None) if entries else Html("")


def section(heading: Child, *children: Child, id_: str | None = None, class_: str | None = None) -> Html:
    """A section with its heading."""
    return tag("section", tag("h2", heading), children, id=id_, class_=class_)


def badge(verdict: str) -> Html:
    """A verdict as a framed word; the frame repeats what the word says, never more."""
    return tag("span", verdict, class_=f"v v-{verdict}")


def cautions_box(cautions: Iterable) -> Html:
    """The cautions (`junction.shelf.results.Caution`) as the box that stands first on a page."""
    items = [tag("li", c.text) for c in cautions]
    if not items:
        return Html("")
    return tag(
        "aside", tag("h2", "Before you touch the board"), tag("ul", items), class_="caution", role="note"
    )


def image(svg: str, alt: str, width: int, height: int) -> Html:
    """An SVG picture inside the page itself; as an image its ids cannot clash with another's."""
    import base64

    source = "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
    return tag("img", src=source, alt=alt, width=width, height=height)


def page(title: str, *body: Child, footer: Child = None) -> str:
    """Whole page as text.

    Parameters
    ----------
    title : str
    *body : Child
    footer : Child
        Printed small at the end.
    """
    head = tag(
        "head", tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title), tag("style", Html(STYLESHEET)),
    )  # fmt: skip
    main = tag("body", tag("main", body), tag("footer", footer) if footer else None)
    return "<!DOCTYPE html>\n" + tag("html", head, main, lang="en") + "\n"
