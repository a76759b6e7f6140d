"""What a picture shows, read back from its SVG: values from the drawn paths by the panel's own axes."""

import re
import xml.etree.ElementTree as ET

import numpy as np

SVG = "{http://www.w3.org/2000/svg}"


class Drawn:
    """An SVG read back: `path` in points of the picture, `values` by the axes of the panel."""

    def __init__(self, text: str) -> None:
        self.text, self.root = text, ET.fromstring(text)
        self.paths = {p.get("id"): p for p in self.root.iter(SVG + "path") if p.get("id")}
        self.words = [(t.text, float(t.get("x")), float(t.get("y"))) for t in self.root.iter(SVG + "text")]

    def axis(self, panel: str, which: str):
        kind, *numbers = self.paths[panel].get(f"data-{which}").split()
        return kind, *map(float, numbers)

    def path(self, id: str) -> np.ndarray:
        """Points of a path (n, 2), pieces one after the other."""
        d = re.sub(r"h\.01|z", " ", self.paths[id].get("d")).replace("M", " ")
        return np.array(d.split(), float).reshape(-1, 2)

    def place(self, panel: str, which: str, value) -> np.ndarray:
        kind, low, high, a, b = self.axis(panel, which)
        value = np.asarray(value, float)
        if kind == "log":
            low, high, value = np.log10(low), np.log10(high), np.log10(value)
        return a + (value - low) / (high - low) * (b - a)

    def values(self, id: str) -> np.ndarray:
        """The same in the units of the axes (n, 2)."""
        panel, at = id.partition("-")[0], self.path(id)
        columns = []
        for which, z in (("x", at[:, 0]), ("y", at[:, 1])):
            kind, low, high, a, b = self.axis(panel, which)
            share = (z - a) / (b - a)
            columns.append(low * (high / low) ** share if kind == "log" else low + share * (high - low))
        return np.stack(columns, 1)

    def distance(self, id: str, x, y) -> np.ndarray:
        """How far each point, in points of the picture, lies from the nearest place of a path."""
        line = self.path(id)
        a, along = line[:-1], np.diff(line, axis=0)
        p = np.stack([x, y], 1)[:, None]
        size = np.maximum((along**2).sum(1), 1e-12)
        t = np.clip(((p - a) * along).sum(2) / size, 0, 1)
        return np.sqrt((((a + t[..., None] * along) - p) ** 2).sum(2)).min(1)
