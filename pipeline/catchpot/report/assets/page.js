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
