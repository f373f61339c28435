"use strict";
(function () {
  const { remember: keep } = catchpot;
  // Sorting and sifting of the table of moulds; both are kept in the address.
  const table = document.getElementById("moulds");
  if (!table) return;
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  const text = document.getElementById("sift-text");
  const state = document.getElementById("sift-state");
  const count = document.getElementById("sift-count");
  let sorted = { column: "", down: false };

  const by = document.getElementById("sift-sort");

  function remember() {
    keep({ find: text.value, state: state.value, sort: sorted.column, down: sorted.down ? "1" : "" });
  }

  function sift() {
    const wanted = text.value.trim().toLowerCase();
    let shown = 0;
    for (const row of body.rows) {
      const fits = row.textContent.toLowerCase().includes(wanted)
        && (!state.value || (row.dataset.states || "").split(",").includes(state.value));
      row.hidden = !fits;
      if (fits) shown += 1;
    }
    count.textContent = shown === body.rows.length ? "" : "showing " + shown + " of " + body.rows.length + " moulds";
  }

  const first = Array.from(body.rows);

  function sortBy(name, down) {
    if (!name) {
      sorted = { column: "", down: false };
      by.value = "";
      heads.forEach((h) => h.removeAttribute("aria-sort"));
      first.forEach((row) => body.append(row));
      return;
    }
    const at = heads.findIndex((h) => h.dataset.column === name);
    if (at < 0) return;
    sorted = { column: name, down };
    by.value = name;
    heads.forEach((h, i) => {
      if (i === at) h.setAttribute("aria-sort", down ? "descending" : "ascending"); else h.removeAttribute("aria-sort");
    });
    const key = (row) => {
      const cell = row.cells[at];
      const number = cell.dataset.sort === undefined ? NaN : parseFloat(cell.dataset.sort);
      return { number, text: cell.textContent.trim(), none: cell.dataset.none === "1" };
    };
    const order = (a, b) => {
      if (a.k.none !== b.k.none) return a.k.none ? 1 : -1; // what is not known stays last either way
      const by = Number.isNaN(a.k.number) || Number.isNaN(b.k.number)
        ? a.k.text.localeCompare(b.k.text, "en", { numeric: true }) : a.k.number - b.k.number;
      return down ? -by : by;
    };
    Array.from(body.rows, (row) => ({ row, k: key(row) })).sort(order).forEach((r) => body.append(r.row));
  }

  heads.forEach((head) => {
    const button = head.querySelector("button");
    if (button) button.addEventListener("click", () => {
      sortBy(head.dataset.column, sorted.column === head.dataset.column && !sorted.down);
      remember();
    });
  });
  by.addEventListener("change", () => { sortBy(by.value, false); remember(); });
  text.addEventListener("input", () => { sift(); remember(); });
  state.addEventListener("change", () => { sift(); remember(); });
  const asked = new URLSearchParams(location.search);
  text.value = asked.get("find") || "";
  state.value = asked.get("state") || "";
  if (state.selectedIndex < 0) state.value = "";
  if (asked.get("sort")) sortBy(asked.get("sort"), asked.get("down") === "1");
  sift();
})();
