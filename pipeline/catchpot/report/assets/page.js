"use strict";
(function () {
  const parse = (id) => JSON.parse(document.getElementById(id).textContent);
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const plots = Array.from(document.querySelectorAll(".plot"));
  const PAPER_WIDTH = 660;
  let onPaper = false;

  // Figures come in light colours; on a dark screen each colour is swapped for its fellow.
  function coloured(value, swap) {
    if (typeof value === "string") return swap[value] || value;
    if (Array.isArray(value)) return value.map((v) => coloured(v, swap));
    if (value && typeof value === "object") {
      const made = {};
      for (const key of Object.keys(value)) made[key] = coloured(value[key], swap);
      return made;
    }
    return value;
  }

  function draw(div) {
    if (typeof Plotly === "undefined") return;
    const settings = parse("figure-settings");
    const wanted = (dark.matches && !onPaper ? "dark" : "light") + (onPaper ? " paper" : " screen");
    if (div.dataset.drawn === wanted) return;
    const figure = coloured(parse(div.dataset.figure), dark.matches && !onPaper ? settings.dark : {});
    const config = Object.assign({}, settings.config);
    if (onPaper) {
      figure.layout.width = PAPER_WIDTH;
      config.responsive = false;
    }
    if (div.dataset.drawn) Plotly.purge(div);
    div.dataset.drawn = wanted;
    Plotly.newPlot(div, figure.data, figure.layout, config);
  }

  for (const div of plots) div.style.height = div.dataset.height + "px";

  if (plots.length && "IntersectionObserver" in window) {
    const watch = new IntersectionObserver((seen) => {
      for (const entry of seen) {
        if (entry.isIntersecting) {
          watch.unobserve(entry.target);
          draw(entry.target);
        }
      }
    }, { rootMargin: "300px" });
    plots.forEach((div) => watch.observe(div));
  } else {
    plots.forEach(draw);
  }
  dark.addEventListener("change", () => plots.filter((d) => d.dataset.drawn).forEach(draw));

  let opened = [];
  window.addEventListener("beforeprint", () => {
    onPaper = true;
    plots.forEach(draw);
    opened = Array.from(document.querySelectorAll("details.print:not([open])"));
    opened.forEach((d) => { d.open = true; });
  });
  window.addEventListener("afterprint", () => {
    onPaper = false;
    plots.forEach(draw);
    opened.forEach((d) => { d.open = false; });
  });

  // A link to a finding opens what it lies folded in.
  function unfold() {
    let target = null;
    try { target = document.getElementById(decodeURIComponent(location.hash.slice(1))); } catch (e) { return; }
    if (!target) return;
    for (let box = target.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    target.scrollIntoView();
  }
  window.addEventListener("hashchange", unfold);
  if (location.hash) unfold();

  // How long ago is worked out when the page is looked at, not when it was written.
  for (const time of document.querySelectorAll("time[data-ago]")) {
    const days = Math.floor((Date.now() - Date.parse(time.dateTime)) / 864e5);
    if (days >= 0) {
      const said = days === 0 ? "today" : days === 1 ? "1 day ago" : days + " days ago";
      time.insertAdjacentText("afterend", " (" + said + ")");
    }
  }

  // Sorting and sifting of the table of moulds; both are kept in the address.
  const table = document.getElementById("moulds");
  if (!table) return;
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  const text = document.getElementById("sift-text");
  const state = document.getElementById("sift-state");
  const count = document.getElementById("sift-count");
  let sorted = { column: "", down: false };

  function remember() {
    const query = new URLSearchParams(location.search);
    for (const [key, value] of [["find", text.value], ["state", state.value],
      ["sort", sorted.column], ["down", sorted.down ? "1" : ""]]) {
      if (value) query.set(key, value); else query.delete(key);
    }
    const asked = query.toString();
    try { history.replaceState(null, "", location.pathname + (asked ? "?" + asked : "") + location.hash); } catch (e) { return; }
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

  function sortBy(name, down) {
    const at = heads.findIndex((h) => h.dataset.column === name);
    if (at < 0) return;
    sorted = { column: name, down };
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
  text.addEventListener("input", () => { sift(); remember(); });
  state.addEventListener("change", () => { sift(); remember(); });
  const asked = new URLSearchParams(location.search);
  text.value = asked.get("find") || "";
  state.value = asked.get("state") || "";
  if (state.selectedIndex < 0) state.value = "";
  if (asked.get("sort")) sortBy(asked.get("sort"), asked.get("down") === "1");
  sift();
})();
