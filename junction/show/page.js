// Find, filter, sort parts: an extra that the page does not need.
(() => {
  const all = (what, root = document) => [...root.querySelectorAll(what)];
  const make = (name, told, ...inside) => {
    const e = Object.assign(document.createElement(name), told);
    e.append(...inside);
    return e;
  };
  const rows = all("[data-t]");
  if (!rows.length) return;
  const groups = all(".group");
  const tags = make("input", { type: "search", autocomplete: "off" });
  const which = make("select", {}, make("option", { value: "", textContent: "all groups" }));
  for (const g of groups) which.append(make("option", { value: g.id, textContent: g.querySelector(".v").textContent }));
  const told = make("output", {});
  told.setAttribute("aria-live", "polite");
  const form = make("form", { className: "find" },
    make("label", {}, "Tag or type ", tags), ...(groups.length > 1 ? [make("label", {}, "Show ", which)] : []), told);
  form.setAttribute("role", "search");
  groups[0].before(form);
  const show = () => {
    const words = tags.value.toLowerCase().split(" ").filter(Boolean);
    let n = 0;
    for (const row of rows) {
      const fits = words.every((w) => row.dataset.t.includes(w)) &&
        (!which.value || row.closest(".group").id === which.value);
      row.hidden = !fits;
      n += fits;
      const card = document.getElementById("p" + row.id.slice(1));
      if (card) card.hidden = !fits;
    }
    for (const g of groups) {
      g.hidden = !g.querySelector("[data-t]:not([hidden])");
      for (const dd of all("dd", g)) dd.hidden = dd.previousSibling.hidden = !dd.querySelector("li:not([hidden])");
    }
    told.textContent = words.length || which.value ? n + " of " + rows.length + " parts" : "";
  };
  tags.oninput = which.onchange = show;
  form.onsubmit = (e) => e.preventDefault();
  // a link to what is hidden takes the filter off
  const open = () => {
    const at = location.hash && document.getElementById(location.hash.slice(1));
    if (!at || !at.closest("[hidden]")) return;
    tags.value = which.value = "";
    show();
    at.scrollIntoView();
  };
  addEventListener("hashchange", open);
  const value = (cell) => {
    const n = cell.querySelector("[data-x]")?.dataset.x || cell.querySelector("data")?.value;
    return n ? +n : cell.textContent;
  };
  const less = (a, b) => a - b || `${a}`.localeCompare(b, undefined, { numeric: true });
  for (const head of all(".group thead th, .counts thead th")) {
    const k = head.cellIndex;
    const button = make("button", { type: "button", textContent: head.textContent });
    button.onclick = () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const body = head.closest("table").tBodies[0];
      body.append(...[...body.rows].sort((a, b) => (up ? 1 : -1) * less(value(a.cells[k]), value(b.cells[k]))));
    };
    head.replaceChildren(button);
  }
})();
