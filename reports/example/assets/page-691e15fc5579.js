/* written by catchpot */
const CATCHPOT={"config":{"displayModeBar":false,"displaylogo":false,"showSendToCloud":false,"showLink":false,"showEditInChartStudio":false,"plotlyServerURL":"","topojsonURL":"","responsive":true,"scrollZoom":false,"editable":false,"doubleClick":"reset","locale":"en"},"dark":{"#ffffff":"#15191d","#1c2126":"#e4e8eb","#59636c":"#a5b0b9","#dde2e6":"#323a42","#8a949d":"#6f7a84","#1f5f73":"#7cc3d8","#8f5312":"#e3ab66","#6a3d7d":"#cda4dc","#4c5d24":"#b3c877","#d6e6ea":"#1f3d47","#efe6d8":"#40331f","#f3d9d2":"#54302a","#9c2f1c":"#f0937f","#f1f3f4":"#1f252a"},"layout":{"font":{"family":"'Liberation Sans', Arimo, Helvetica, Arial, sans-serif","size":13,"color":"#1c2126"},"paper_bgcolor":"#ffffff","plot_bgcolor":"#ffffff","colorway":["#1f5f73","#8f5312","#6a3d7d","#4c5d24"],"margin":{"l":56,"r":16,"t":24,"b":40},"hovermode":"closest","hoverlabel":{"bgcolor":"#f1f3f4","bordercolor":"#8a949d","font":{"color":"#1c2126","family":"'Liberation Sans', Arimo, Helvetica, Arial, sans-serif","size":13},"align":"left"},"dragmode":"zoom","showlegend":false,"legend":{"orientation":"h","x":0,"xanchor":"left","y":0,"yanchor":"bottom","yref":"container","bgcolor":"rgba(0,0,0,0)"},"separators":"."},"axis":{"gridcolor":"#dde2e6","linecolor":"#8a949d","linewidth":1,"showline":true,"zeroline":false,"ticks":"outside","ticklen":4,"tickcolor":"#8a949d","automargin":true,"title":{"font":{"size":13},"standoff":8},"exponentformat":"power","minexponent":5},"roles":{"paper":"#ffffff","ink":"#1c2126","muted":"#59636c","rule":"#dde2e6","frame":"#8a949d","main":"#1f5f73","second":"#8f5312","third":"#6a3d7d","fourth":"#4c5d24","band":"#d6e6ea","spec":"#efe6d8","odd":"#f3d9d2","fault":"#9c2f1c","ground":"#f1f3f4"},"decimal":"."};
"use strict";
// What every page does: links unfold what hides them, time is told from now, folds open for the printer.
const catchpot = (function () {
  const script = document.currentScript;
  const root = { library: (script && script.dataset.library) || "" };
  const read = (id) => {
    const block = document.getElementById(id);
    return block ? JSON.parse(block.textContent) : null;
  };
  document.documentElement.classList.add("live");

  function unfold() {
    let target = null;
    try { target = document.getElementById(decodeURIComponent(location.hash.slice(1))); } catch (e) { return; }
    if (!target) return;
    if (target.closest("[hidden]")) document.dispatchEvent(new CustomEvent("catchpot-show", { detail: target }));
    for (let box = target.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    target.scrollIntoView();
  }
  window.addEventListener("hashchange", unfold);
  window.addEventListener("DOMContentLoaded", () => { if (location.hash) unfold(); });

  for (const time of document.querySelectorAll("time[data-ago]")) {
    const days = Math.floor((Date.now() - Date.parse(time.dateTime)) / 864e5);
    if (days >= 0) {
      const said = days === 0 ? "today" : days === 1 ? "1 day ago" : days + " days ago";
      time.insertAdjacentText("afterend", " (" + said + ")");
    }
  }

  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = Array.from(document.querySelectorAll("details.print:not([open])"));
    opened.forEach((d) => { d.open = true; });
  });
  window.addEventListener("afterprint", () => opened.forEach((d) => { d.open = false; }));

  // The state of a page stands in its address, so that a link to it shows exactly this.
  function remember(changes) {
    const query = new URLSearchParams(location.search);
    for (const [key, value] of Object.entries(changes)) {
      if (value) query.set(key, value); else query.delete(key);
    }
    const asked = query.toString();
    try {
      history.replaceState(null, "", location.pathname + (asked ? "?" + asked : "") + location.hash);
    } catch (e) { /* an address that can't be changed: the page works all the same */ }
    document.dispatchEvent(new CustomEvent("catchpot-address"));
  }
  const asked = (key) => new URLSearchParams(location.search).get(key) || "";

  function element(name, words, attributes) {
    const made = document.createElement(name);
    if (words !== undefined && words !== null) made.textContent = words;
    for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
    return made;
  }

  // Pages of many parts with a selector: one part is shown, the address remembers which.
  for (const select of document.querySelectorAll("select[data-parts]")) {
    const parts = Array.from(document.querySelectorAll("[data-part]"));
    const show = (name) => {
      parts.forEach((p) => { p.hidden = p.dataset.part !== name; });
      document.dispatchEvent(new CustomEvent("catchpot-shown"));
    };
    select.closest("form").hidden = false;
    select.addEventListener("change", () => { show(select.value); remember({ [select.dataset.parts]: select.value }); });
    document.addEventListener("catchpot-show", (e) => {
      const part = e.detail.closest("[data-part]");
      if (part) { select.value = part.dataset.part; show(select.value); }
    });
    if (parts.some((p) => p.dataset.part === asked(select.dataset.parts))) select.value = asked(select.dataset.parts);
    show(select.value);
  }

  // Where each part has a page of its own, the selector leads there; so does an address that names the part.
  for (const select of document.querySelectorAll("select[data-pages]")) {
    const options = Array.from(select.options);
    const own = select.value;
    select.closest("form").hidden = false;
    select.addEventListener("change", () => { location.href = select.value; });
    window.addEventListener("pageshow", () => { select.value = own; });
    const wanted = options.find((o) => o.text === asked(select.dataset.pages));
    if (wanted && wanted.value !== own) location.replace(wanted.value + location.hash);
  }

  // Shots named in tables lead to their own pages; from the list of shots beside the page, so that it stays light.
  const here = read("shots-here") || {};
  for (const head of document.querySelectorAll("main thead th")) {
    if (head.textContent !== "shot" || head.closest("#shots")) continue;
    for (const row of head.closest("table").tBodies[0].rows) {
      const cell = row.cells[head.cellIndex];
      const known = cell && !cell.querySelector("a") && here[cell.textContent.trim()];
      if (!known) continue;
      const name = cell.textContent.trim();
      cell.replaceChildren(element("a", name, { href: known[0] + "?shot=" + encodeURIComponent(name) }));
    }
  }

  return { root, read, remember, asked, element };
})();

"use strict";
// Figures come drawn; when a reader touches one, the plotting library takes it over, from the same numbers.
catchpot.figures = (function () {
  const { element, remember, asked } = catchpot;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const plots = Array.from(document.querySelectorAll(".plot"));
  let pool = null;
  let loading = null;

  function library() {
    if (typeof Plotly !== "undefined") return Promise.resolve();
    if (!loading) {
      loading = new Promise((done, failed) => {
        const script = element("script", null, { src: catchpot.root.library });
        script.onload = done;
        script.onerror = () => failed(new Error("the plotting library is not beside the page"));
        document.head.append(script);
      });
    }
    return loading;
  }

  function whole(value) {
    if (pool === null) pool = catchpot.read("pool") || [];
    if (Array.isArray(value)) return value.map(whole);
    if (value && typeof value === "object") {
      if ("$" in value) return pool[value.$];
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, whole(v)]));
    }
    return value;
  }

  const plain = (v) => v && typeof v === "object" && !Array.isArray(v);
  function merged(base, more) {
    const made = Object.assign({}, base);
    for (const [key, value] of Object.entries(more || {})) {
      made[key] = plain(made[key]) && plain(value) ? merged(made[key], value) : value;
    }
    return made;
  }

  function coloured(value, swap) {
    if (typeof value === "string") return swap[value] || value;
    if (Array.isArray(value)) return value.map((v) => coloured(v, swap));
    if (plain(value)) return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, coloured(v, swap)]));
    return value;
  }

  const escaped = (text) => String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  const shots = catchpot.read("shots-here") || {};
  const short = (v) => (typeof v === "number" ? Number(v.toPrecision(4)).toString().replace(".", CATCHPOT.decimal).replace("-", "\u2212") : v);

  // What is told of a point: the shot, the time or place, the value with its interval, the batches.
  function told(trace) {
    const names = trace.customdata;
    if (!Array.isArray(names) || trace.hovertext) return trace;
    const more = (trace.error_y || {}).array || [];
    const less = (trace.error_y || {}).arrayminus || [];
    const lines = names.map((name, i) => {
      const y = trace.y[i];
      let line = typeof y === "number" ? short(y) : escaped(y);
      if (typeof more[i] === "number" && typeof less[i] === "number") {
        line += " (95 %: " + short(y - less[i]) + " to " + short(y + more[i]) + ")";
      }
      const known = shots[name];
      const batches = known ? known.slice(1).filter(Boolean).map((b) => "<br>" + escaped(b)).join("") : "";
      return "<b>" + escaped(name) + "</b><br>%{x}<br>" + line + batches;
    });
    return Object.assign({}, trace, { hovertemplate: lines.map((l) => l + "<extra></extra>") });
  }

  function figureOf(div) {
    if (!div.catchpot) {
      const given = whole(catchpot.read(div.dataset.figure + "-data"));
      div.catchpot = { data: given.data.map(told), layout: given.layout, off: new Set() };
    }
    return div.catchpot;
  }

  const timed = (div) => {
    const range = ((figureOf(div).layout.xaxis || {}).range || [])[0];
    return typeof range === "string" && range.includes("-");
  };

  let busy = false;
  async function bring(div) {
    if (div.dataset.live) return div.bringing;
    div.dataset.live = "1";
    div.bringing = (async () => {
      await library();
      const { data, layout, off } = figureOf(div);
      const swap = dark.matches ? CATCHPOT.dark : {};
      const own = Object.fromEntries(Object.entries(layout)
        .map(([k, v]) => [k, /^[xy]axis/.test(k) ? merged(CATCHPOT.axis, v) : v]));
      for (const name of ["xaxis", "yaxis"]) own[name] = own[name] || CATCHPOT.axis;
      const full = merged(CATCHPOT.layout, own);
      full.showlegend = false;
      full.height = Number(div.dataset.height);
      full.transition = still.matches ? undefined : full.transition;
      const span = timed(div) ? span_asked() : null;
      if (span) full.xaxis = Object.assign({}, full.xaxis, { range: span, autorange: false });
      const drawn = div.querySelector("svg.fig");
      const box = element("div", null, { class: "alive" });
      div.append(box);
      div.parts = { drawn, box };
      const traces = data.map((t, i) => Object.assign({}, t, { visible: off.has(i) ? false : t.visible }));
      await Plotly.newPlot(box, coloured(traces, swap), coloured(full, swap), CATCHPOT.config);
      if (drawn) drawn.classList.add("under");
      div.classList.add("taken");
      box.on("plotly_click", (e) => open_shot((e.points[0] || {}).customdata));
      box.on("plotly_relayout", (e) => {
        if (busy || !timed(div)) return;
        if (e["xaxis.range[0]"]) follow([e["xaxis.range[0]"], e["xaxis.range[1]"]]);
        else if (e["xaxis.autorange"]) follow(null);
      });
      box.on("plotly_doubleclick", () => { if (timed(div)) follow(null); return false; });
    })().catch((error) => {
      div.closest("figure").append(element("p", "This figure stays as it is: " + error.message + ".", { class: "note" }));
    });
    return div.bringing;
  }

  const spanned = (span) => document.documentElement.classList.toggle("spanned", Boolean(span));
  const span_asked = () => (asked("from") && asked("to") ? [asked("from"), asked("to")] : null);
  const day_text = (v) => String(v).replace("T", " ").slice(0, 16);

  // A span brushed on one strip is shown on all figures over time.
  async function follow(span) {
    busy = true;
    spanned(span);
    remember({ from: span ? day_text(span[0]) : "", to: span ? day_text(span[1]) : "" });
    for (const div of plots.filter((d) => visible(d) && timed(d))) {
      await bring(div);
      const range = span || figureOf(div).layout.xaxis.range;
      if (div.parts) await Plotly.relayout(div.parts.box, { "xaxis.range": range.slice() });
    }
    busy = false;
  }
  const visible = (div) => div.offsetParent !== null;

  function open_shot(name) {
    const known = shots[name];
    if (known) location.href = known[0] + "?shot=" + encodeURIComponent(name);
  }

  // Hide and show: each entry of the key is a button.
  function hide(div, indices, hidden) {
    const { off } = figureOf(div);
    indices.forEach((i) => { if (hidden) off.add(i); else off.delete(i); });
    bring(div).then(() => {
      if (div.parts) Plotly.restyle(div.parts.box, { visible: !hidden }, indices);
    });
    const all = plots.flatMap((d) => (d.catchpot && d.catchpot.off.size
      ? [d.dataset.figure + "~" + Array.from(d.catchpot.off).sort((a, b) => a - b).join(".")] : []));
    remember({ off: all.join("~~") });
  }

  function keys(div, tools) {
    const off = Object.fromEntries(asked("off").split("~~").filter(Boolean).map((e) => e.split("~")));
    const gone = new Set((off[div.dataset.figure] || "").split(".").filter(Boolean).map(Number));
    for (const entry of div.closest("figure").querySelectorAll(".key li[data-traces]")) {
      const indices = entry.dataset.traces.split(" ").filter(Boolean).map(Number);
      const name = entry.querySelector("span");
      if (!indices.length || !name) continue;
      const button = element("button", null, { type: "button", "aria-pressed": "true" });
      button.append(...Array.from(entry.querySelectorAll("svg")), ...Array.from(name.childNodes));
      name.replaceWith(button);
      if (entry.classList.contains("bare")) { tools.append(button, " "); entry.remove(); }
      button.addEventListener("click", () => {
        const hidden = button.getAttribute("aria-pressed") === "true";
        button.setAttribute("aria-pressed", String(!hidden));
        hide(div, indices, hidden);
      });
      if (indices.some((i) => gone.has(i))) {
        button.setAttribute("aria-pressed", "false");
        hide(div, indices, true);
      }
    }
  }

  // Saving: the picture as SVG or PNG, the numbers as CSV.
  function save(name, href) {
    const link = element("a", null, { href, download: name });
    document.body.append(link);
    link.click();
    link.remove();
  }
  async function picture(div, format) {
    await bring(div);
    const href = await Plotly.toImage(div.parts.box, {
      format, width: div.parts.box.clientWidth, height: Number(div.dataset.height), scale: format === "png" ? 2 : 1,
    });
    save(div.dataset.figure + "." + format, href);
  }
  function csv(div) {
    const quoted = (v) => {
      const text = v === null || v === undefined ? "" : String(v);
      return /[",\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
    };
    const rows = [["trace", "shot", "x", "y", "low", "high"]];
    for (const t of figureOf(div).data) {
      const more = (t.error_y || {}).array || [], less = (t.error_y || {}).arrayminus || [];
      (t.y || []).forEach((y, i) => rows.push([t.name, (t.customdata || [])[i], (t.x || [])[i], y,
        typeof less[i] === "number" ? y - less[i] : "", typeof more[i] === "number" ? y + more[i] : ""]));
    }
    const text = rows.map((r) => r.map(quoted).join(",")).join("\r\n") + "\r\n";
    const url = URL.createObjectURL(new Blob(["\ufeff", text], { type: "text/csv;charset=utf-8" }));
    save(div.dataset.figure + ".csv", url);
    setTimeout(() => URL.revokeObjectURL(url), 10_000);
  }

  // What can be done with a figure, folded so that it doesn't stand between the figure and its words.
  function tools(div) {
    const row = element("div", null, { class: "tools" });
    const fold = element("details");
    const inner = element("p");
    const of = div.closest("figure").querySelector("figcaption").textContent;
    fold.append(element("summary", "Use this figure", { "aria-label": "Use this figure: " + of }), inner);
    row.append(fold);
    const button = (words, does, into) => {
      const made = element("button", words, { type: "button" });
      made.addEventListener("click", does);
      into.append(made, " ");
      return made;
    };
    const dated = timed(div);
    fold.append(element("p", "Point at a dot for its shot and its numbers; click it to open the shot."
      + (dated ? " Drag across to see that span on every figure over time." : " Drag across to look closer; a double click leads back.")));
    button("save SVG", () => picture(div, "svg"), inner);
    button("save PNG", () => picture(div, "png"), inner);
    button("save CSV", () => csv(div), inner);
    if (dated) button("all dates", () => follow(null), row).className = "all-dates";
    const link = element("a", "link to this view");
    const renew = () => {
      link.href = location.pathname + location.search + "#" + encodeURIComponent(div.closest("figure").id);
    };
    renew();
    document.addEventListener("catchpot-address", renew);
    inner.append(link);
    div.after(row);
    const shown = element("p", "Hide or show: ");
    return { shown, keep: () => { if (shown.querySelector("button")) fold.append(shown); } };
  }

  function settle(div) {
    if (div.dataset.settled) return;
    div.dataset.settled = "1";
    const { shown, keep } = tools(div);
    keys(div, shown);
    keep();
    const touched = () => bring(div);
    for (const kind of ["pointerenter", "pointerdown", "focusin"]) div.addEventListener(kind, touched, { once: true });
    if (!div.querySelector("svg.fig")) { div.classList.add("bare"); when_seen(div); }
    else if (span_asked() && timed(div)) when_seen(div);
  }

  // What is not drawn yet, or is to show another span, is brought to life when it comes into view.
  const watch = "IntersectionObserver" in window ? new IntersectionObserver((seen) => {
    for (const entry of seen) {
      if (entry.isIntersecting) { watch.unobserve(entry.target); bring(entry.target); }
    }
  }, { rootMargin: "400px" }) : null;
  function when_seen(div) {
    if (watch) watch.observe(div); else bring(div);
  }
  plots.forEach(settle);
  spanned(span_asked());
  dark.addEventListener("change", () => plots.filter((d) => d.dataset.live).forEach((div) => {
    if (div.parts) { Plotly.purge(div.parts.box); div.parts.box.remove(); }
    delete div.dataset.live;
    bring(div);
  }));

  return { plots, bring, follow, library, coloured, merged, settle, add: (div) => { plots.push(div); settle(div); },
    forget: (within) => {
      for (let i = plots.length - 1; i >= 0; i -= 1) {
        if (within.contains(plots[i])) {
          if (plots[i].parts) Plotly.purge(plots[i].parts.box);
          plots.splice(i, 1);
        }
      }
    } };
})();

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

"use strict";
// One shot, or two laid over one another, drawn from the month's data file.
catchpot.shots = (function () {
  const { element, remember, asked, root } = catchpot;
  const given = catchpot.read("shots-data");
  const known = {};
  const waiting = {};
  const take = (shots) => Object.assign(known, shots);
  if (!given) return { take };

  const one = document.getElementById("shot");
  const other = document.getElementById("with");
  const view = document.getElementById("shot-view");
  const said = document.getElementById("shot-said");
  const MAIN = CATCHPOT.layout.colorway[0], SECOND = CATCHPOT.layout.colorway[1];
  const theme = CATCHPOT.roles;

  function load(shot) {
    if (known[shot]) return Promise.resolve(known[shot]);
    const file = "data/" + given.stem + "-" + given.months[shot] + ".js";
    if (!waiting[file]) {
      waiting[file] = new Promise((done, failed) => {
        const script = element("script", null, { src: file });
        script.onload = done;
        script.onerror = () => failed(new Error("its data file is not beside the page"));
        document.head.append(script);
      });
    }
    return waiting[file].then(() => {
      if (!known[shot]) throw new Error("its data file does not hold it");
      return known[shot];
    });
  }

  const times = (s) => s.t.flatMap((t, i) => [t / 10, ((i + 1 < s.t.length ? s.t[i + 1] : t) + t) / 20]);
  const scaled = (values, step) => values.map((v) => (v === null ? null : v * step));
  const clean = (text) => String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");

  function figure(id, title, summary, data, layout, height) {
    const box = element("figure", null, { id });
    box.append(element("figcaption", title));
    const plot = element("div", null, {
      class: "plot l0", id: id + "-plot", "data-figure": id, "data-height": String(height), role: "img",
      "aria-label": title + ". " + summary,
    });
    box.append(plot, element("p", summary, { class: "note" }));
    const block = element("script", JSON.stringify({ data, layout }), { type: "application/json", id: id + "-data" });
    box.append(block);
    view.append(box);
    catchpot.figures.add(plot);
    return box;
  }

  function strips(names, shots) {
    const present = Object.keys(given.channels).filter((c) => shots.some((s) => s.c && s.c[c]));
    const room = 1 / Math.max(present.length, 1);
    const layout = {
      margin: { l: 64, r: 18, t: 26, b: 44 }, annotations: [], shapes: [],
      xaxis: { title: { text: "time since the first sample [s]" }, anchor: "y" + (present.length > 1 ? present.length : ""), rangemode: "tozero" },
    };
    const data = [];
    present.forEach((channel, row) => {
      const [words, step] = given.channels[channel];
      const suffix = row ? String(row + 1) : "";
      const top = 1 - row * room - room * 0.17;
      layout["yaxis" + suffix] = { domain: [1 - (row + 1) * room, top], nticks: 4, fixedrange: true };
      layout.annotations.push({ text: "<b>" + clean(words) + "</b>", showarrow: false, x: 0, xref: "paper", xanchor: "left",
        y: top, yref: "paper", yanchor: "bottom", font: { size: 12 } });
      shots.forEach((shot, n) => {
        if (shot.c && shot.c[channel]) data.push({
          type: "scatter", mode: "lines", name: clean(names[n] + ", " + words), x: times(shot), y: scaled(shot.c[channel], step),
          yaxis: "y" + suffix, line: { width: n ? 1 : 1.3, color: n ? SECOND : MAIN, dash: n ? "dot" : "solid" },
          hovertemplate: clean(names[n]) + "<br>%{x:.0f} s: %{y:.4g}<extra></extra>",
        });
      });
    });
    const span = Math.max(...shots.map((s) => (s.t && s.t.length ? s.t[s.t.length - 1] / 10 : 0)), 1);
    (shots[0].phases || []).forEach(([phase, from, to], n) => {
      if (n % 2 === 0) layout.shapes.push({ type: "rect", xref: "x", x0: from, x1: to, yref: "paper", y0: 0, y1: 1,
        fillcolor: theme.ground, line: { width: 0 }, layer: "below" });
      // A phase too short for its name in this window is named below the figure only.
      const wide = ((to - from) / span) * Math.max(view.clientWidth - 82, 1);
      if (wide > 6.2 * phase.length) layout.annotations.push({ text: "<i>" + clean(phase) + "</i>", showarrow: false, x: (from + to) / 2, xref: "x", y: 1,
        yref: "paper", yanchor: "bottom", yshift: 6 });
    });
    const words = present.map((c) => given.channels[c][0]).join(", ");
    const phases = (shots[0].phases || []).map(([p, a, b]) => p + " " + Math.round(a) + " to " + Math.round(b) + " s").join(", ");
    figure("channels", "All channels over time", words + ". Phases of " + names[0] + ": " + (phases || "none found") + "."
      + (names[1] ? " Dotted: " + names[1] + "." : ""), data, layout, 90 + 105 * present.length);
  }

  const at = (xs, ys, x) => {
    if (x < xs[0] || x > xs[xs.length - 1]) return null;
    let i = 1;
    while (i < xs.length - 1 && xs[i] < x) i += 1;
    if (ys[i] === null || ys[i - 1] === null) return null;
    return ys[i - 1] + ((ys[i] - ys[i - 1]) * (x - xs[i - 1])) / (xs[i] - xs[i - 1] || 1);
  };

  function curves(names, shots) {
    const drawn = shots.map((s, n) => (s.curve ? { name: names[n], volume: s.curve[1].map((_, i) => (s.curve[0] * (i + 0.5)) / s.curve[1].length), values: s.curve[1].map((v) => (v === null ? null : v * (given.own ? given.own[4] / s.curve[2] : 1))) } : null));
    if (!drawn.some(Boolean)) return;
    const own = given.own;
    const data = [];
    const [litre, per_litre] = given.litre, [heading, scale] = given.resistance;
    const times = (v) => (v === null ? null : v * scale);
    const unit = own ? own[3] : 1;
    const place = (v) => (own ? (100 * v) / unit : v * per_litre);
    if (own) {
      const x = own[0].map(place);
      const edge = (sign) => own[1].map((v, i) => (v === null ? null : scale * Math.max(0, v + sign * 1.96 * (own[2][i] || 0))));
      data.push({ type: "scatter", mode: "lines", name: "lower edge", x, y: edge(-1), hoverinfo: "skip", line: { width: 0.8, color: theme.frame } });
      data.push({ type: "scatter", mode: "lines", name: "scatter from shot to shot, 95 %", x, y: edge(1), hoverinfo: "skip",
        fill: "tonexty", fillcolor: theme.band, line: { width: 0.8, color: theme.frame } });
      data.push({ type: "scatter", mode: "lines", name: "the mould's own curve", x, y: own[1].map(times), line: { width: 2, color: theme.second } });
    }
    drawn.forEach((d, n) => d && data.push({
      type: "scatter", mode: "markers", name: clean(d.name), x: d.volume.map(place), y: d.values.map(times),
      marker: { size: 4, color: n ? theme.third : MAIN, symbol: n ? "circle-open" : "circle" },
      hovertemplate: clean(d.name) + "<br>%{x:.1f}: %{y:.3g}<extra></extra>",
    }));
    const tops = drawn.flatMap((d) => (d ? d.values.filter((v, i) => v !== null && (!own || d.volume[i] < 0.97 * unit)) : []));
    const x_words = own ? "share of the usual arrival volume [%]" : "metered volume [" + litre + "]";
    const axes = { margin: { l: 64, r: 18, t: 26, b: 44 }, xaxis: { title: { text: x_words }, rangemode: "tozero" } };
    figure("curve", "The curve against the mould's own: " + heading, "Resistance is the driving pressure over the flow"
      + (own ? ", here at the mould's usual viscosity, so that warm and cold shots compare; 100 % is " + (unit * per_litre).toPrecision(4).replace(".", CATCHPOT.decimal) + " " + litre + ", the tinted band is the usual scatter from shot to shot (95 %)." : "."), data,
      Object.assign({ yaxis: { fixedrange: true, range: [0, 1.5 * scale * Math.max(...tops, 1e-9)] } }, axes), 360);
    if (!own) return;
    const left = [];
    drawn.forEach((d, n) => d && left.push({
      type: "scatter", mode: "markers", name: clean(d.name), x: d.volume.map(place),
      y: d.values.map((v, i) => { const u = at(own[0], own[1], d.volume[i]); return v === null || !u ? null : 100 * (v / u - 1); }),
      marker: { size: 4, color: n ? theme.third : MAIN, symbol: n ? "circle-open" : "circle" },
      hovertemplate: clean(d.name) + "<br>%{x:.1f} %: %{y:.1f} %<extra></extra>",
    }));
    figure("residuals", "How far it lies from the mould's own curve [%]", "Resistance against the mould's own curve at the same volume; nought is as usual.", left,
      Object.assign({ yaxis: { fixedrange: true, range: [-60, 60], zeroline: true, zerolinecolor: theme.frame } }, axes), 240);
  }

  // Very small or large: all three with the power of ten of the first.
  function raised(values) {
    const exponent = Math.floor(Math.log10(Math.abs(values[0])));
    const power = String(exponent).replace(/[-0-9]/g, (c) => "\u207b\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079"["-0123456789".indexOf(c)]);
    return values.map((x) => (typeof x === "number"
      ? (x / 10 ** exponent).toFixed(2).replace(".", CATCHPOT.decimal) : null)).concat(" \u00d7 10" + power);
  }

  function spelled(v, low, high) {
    if (typeof v !== "number") return "not known";
    const half = typeof low === "number" && typeof high === "number" ? (high - low) / 2 : NaN;
    const size = Math.abs(v);
    if (size !== 0 && (size < 1e-3 || size >= 1e5)) return raised([v, low, high]);
    const lead = half > 0 ? Math.floor(Math.log10(half)) : Math.floor(Math.log10(size || 1)) - 2;
    const places = Math.max(0, Math.min(6, half > 0 ? -lead + (half / 10 ** lead < 3 ? 1 : 0) : -lead));
    return [v, low, high].map((x) => (typeof x === "number"
      ? x.toFixed(places).replace(/^-(?=[0.]*$)/, "").replace(".", CATCHPOT.decimal) : null));
  }

  function numbers(names) {
    const all = names.map((n) => Object.fromEntries((given.numbers[n] || []).map(([q, ...v]) => [q, v])));
    const wanted = given.quantities.map((_, i) => i).filter((i) => all.some((a) => a[i]));
    if (!wanted.length) return;
    const table = element("table", null, { id: "shot-numbers" });
    table.append(element("caption", "Numbers with their 95 % intervals"));
    const head = element("tr");
    ["quantity", "unit", ...names].forEach((w) => head.append(element("th", w, { scope: "col" })));
    const top = element("thead");
    top.append(head);
    const body = element("tbody");
    for (const i of wanted) {
      const row = element("tr");
      row.append(element("th", given.quantities[i][0], { scope: "row" }), element("td", given.quantities[i][1]));
      for (const a of all) {
        const s = a[i] ? spelled(...a[i]) : null;
        const cell = element("td", s === null ? "\u2013" : s === "not known" ? s
          : (s[0] + (s[3] || "") + (s[1] && s[2] ? " (" + s[1] + " to " + s[2] + ")" : "")).replace(/-/g, "\u2212"));
        if (a[i]) cell.dataset.value = a[i][0];
        row.append(cell);
      }
      body.append(row);
    }
    table.append(top, body);
    const scroll = element("div", null, { class: "scroll", role: "region", tabindex: "0", "aria-label": "Numbers of the shot" });
    scroll.append(table);
    view.append(scroll);
  }

  function found(names, shots) {
    names.forEach((name, n) => {
      const list = given.found[name] || [];
      view.append(element("h3", "Findings of " + name));
      if (!list.length) view.append(element("p", "None. \u201cNo finding\u201d is not \u201csafe\u201d."));
      const items = element("ul", null, { class: "findings" });
      for (const [severity, kind, message, advice] of list) {
        const item = element("li");
        const first = element("p");
        first.append(element("span", severity, { class: "state state-" + severity }), element("strong", kind));
        item.append(first, element("p", message));
        if (advice) item.append(element("p", advice));
        items.append(item);
      }
      if (list.length) view.append(items);
      const log = shots[n].log || [];
      view.append(element("h3", "Its log"));
      view.append(element("p", "File " + shots[n].file + (shots[n].injector ? ", " + shots[n].injector : "") + (shots[n].set ? ", set to " + String(+(shots[n].set * given.litre[1]).toPrecision(6)).replace(".", CATCHPOT.decimal) + " " + given.litre[0] : "") + "."));
      if (log.length) {
        const lines = element("ul");
        log.forEach((l) => lines.append(element("li", l)));
        view.append(lines);
      } else {
        view.append(element("p", "Nothing was wrong with it."));
      }
    });
  }

  let turn = 0;
  async function show() {
    const mine = ++turn;
    const names = [one.value, other.value].filter((v, i, all) => v && all.indexOf(v) === i);
    document.getElementById("one").hidden = false;
    document.getElementById("one-title").textContent = names.join(", laid over by ");
    said.textContent = "Reading the data of " + names.join(" and ") + ".";
    let shots;
    try {
      shots = await Promise.all(names.map(load));
      await catchpot.figures.library();
    } catch (error) {
      said.textContent = names[0] + " can't be drawn: " + error.message + ".";
      return;
    }
    if (mine !== turn) return;
    catchpot.figures.forget(view);
    view.replaceChildren();
    said.textContent = names.map((n) => n + ", " + given.starts[n]).join("; laid over by ") + ".";
    strips(names, shots);
    curves(names, shots);
    numbers(names);
    found(names, shots);
    view.dataset.shown = names.join(" ");
  }
  const chosen = () => { remember({ shot: one.value, with: other.value }); show(); };
  one.addEventListener("change", chosen);
  other.addEventListener("change", chosen);
  document.getElementById("shots").addEventListener("click", (e) => {
    const link = e.target.closest("a");
    if (!link || e.ctrlKey || e.metaKey || e.shiftKey) return;
    e.preventDefault();
    one.value = new URLSearchParams(new URL(link.href).search).get("shot");
    chosen();
    document.getElementById("one").scrollIntoView();
  });
  window.addEventListener("DOMContentLoaded", () => {
    if (asked("shot") && given.months[asked("shot")]) {
      one.value = asked("shot");
      other.value = given.months[asked("with")] ? asked("with") : "";
      show();
    }
  });
  return { take };
})();
