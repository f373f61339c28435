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

  // A figure's traces and layout in the colours of the screen or of paper.
  function content(div, swap) {
    const { data, layout, off } = figureOf(div);
    const own = Object.fromEntries(Object.entries(layout)
      .map(([k, v]) => [k, /^[xy]axis/.test(k) ? merged(CATCHPOT.axis, v) : v]));
    for (const name of ["xaxis", "yaxis"]) own[name] = own[name] || CATCHPOT.axis;
    const full = merged(CATCHPOT.layout, own);
    full.showlegend = false;
    full.height = Number(div.dataset.height);
    full.transition = still.matches ? undefined : full.transition;
    const span = timed(div) ? span_asked() : null;
    if (span) full.xaxis = Object.assign({}, full.xaxis, { range: span, autorange: false });
    const traces = data.map((t, i) => Object.assign({}, t, { visible: off.has(i) ? false : t.visible }));
    return [coloured(traces, swap), coloured(full, swap)];
  }

  // On paper stand the drawn figures; what is live only is drawn once more, in light colours and as wide as the paper.
  const PAPER = 660, TALL = 0.62; // px; the style sheet draws a tall figure so much smaller there
  const only_live = () => plots.filter((d) => d.parts && !d.parts.drawn);
  window.addEventListener("beforeprint", () => only_live().forEach((div) => {
    const [traces, full] = content(div, {});
    Plotly.react(div.parts.box, traces, Object.assign(full, { width: div.classList.contains("tall") ? PAPER / TALL : PAPER }), CATCHPOT.config);
  }));
  window.addEventListener("afterprint", () => only_live().forEach((div) => {
    const [traces, full] = content(div, dark.matches ? CATCHPOT.dark : {});
    Plotly.react(div.parts.box, traces, Object.assign(full, { width: undefined, autosize: true }), CATCHPOT.config);
  }));

  let busy = false;
  async function bring(div) {
    if (div.dataset.live) return div.bringing;
    div.dataset.live = "1";
    div.bringing = (async () => {
      await library();
      const drawn = div.querySelector("svg.fig");
      const box = element("div", null, { class: "alive" });
      div.append(box);
      div.parts = { drawn, box };
      const [traces, full] = content(div, dark.matches ? CATCHPOT.dark : {});
      await Plotly.newPlot(box, traces, full, CATCHPOT.config);
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
