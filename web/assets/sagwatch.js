// What a page does by itself when script is on. Everything here only eases what works without it: arrow keys across the points of a
// chart, a block pasted into the grid of readings, keys and focus at the gauge, a line that says when live updates have stopped.
// It writes no markup and no styles.
(function () {
  "use strict";
  const main = document.getElementById("main");

  // Arrow keys walk the points of a chart; Home and End go to the first and the last. One of them is the stop of the tab key.
  const points = (svg) => Array.from(svg.querySelectorAll("a[href]"));
  document.querySelectorAll("svg.plot[role=group]").forEach(settle);
  function settle(svg) {
    const all = points(svg);
    if (all.filter((a) => a.tabIndex >= 0).length === 1) return;
    all.forEach((a, i) => a.setAttribute("tabindex", i === 0 ? "0" : "-1"));
  }
  document.addEventListener("keydown", (e) => {
    const a = e.target.closest && e.target.closest("svg.plot[role=group] a[href]");
    if (!a || e.altKey || e.ctrlKey || e.metaKey) return;
    const all = points(a.closest("svg")), at = all.indexOf(a);
    const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: all.length - 1 }[e.key];
    if (to === undefined || !all[to]) return;
    e.preventDefault();
    a.setAttribute("tabindex", "-1");
    all[to].setAttribute("tabindex", "0");
    all[to].focus();
  });

  // A block pasted from a spreadsheet into any field of the grid fills the fields from there onward, in the numbering of the gauge.
  // An empty cell stays an empty reading. What does not fit is not dropped in silence: a line under the grid counts it.
  const grid = document.querySelector("[data-grid]");
  if (grid) {
    const fields = Array.from(grid.querySelectorAll("input[data-place]")).sort((a, b) => a.dataset.place - b.dataset.place);
    grid.addEventListener("paste", (e) => {
      const text = (e.clipboardData || window.clipboardData).getData("text").replace(/\r\n?/g, "\n").replace(/\n+$/, "");
      const cells = text.indexOf("\t") >= 0 || text.indexOf("\n") >= 0 ? text.split(/[\t\n]/) : text.trim().split(/[;\s]+/);
      const from = fields.indexOf(e.target);
      if (cells.length < 2 || from < 0) return;
      e.preventDefault();
      cells.slice(0, fields.length - from).forEach((cell, i) => { fields[from + i].value = cell.trim(); });
      const filled = Math.min(cells.length, fields.length - from), said = document.getElementById("pasted");
      if (said) {
        said.textContent = "Filled " + filled + " readings from place " + fields[from].dataset.place + " on." +
          (cells.length > filled ? " " + (cells.length - filled) + " of the block did not fit and were left out." : "");
      }
      fields[Math.min(from + filled, fields.length - 1)].focus();
    });
  }

  // The right panel of a study was scanned: its value is next.
  const ready = document.querySelector("form[data-ready] input:not([type=hidden])");
  if (ready) ready.focus({ preventScroll: true });

  // What stands wrong in a form is read first.
  const trouble = document.getElementById("trouble");
  if (trouble) trouble.focus();

  // At the gauge the field for the serial keeps the focus: a scanner types wherever the focus is. Somebody who reads on with the
  // keyboard or chose another field is left alone for a minute.
  const scan = document.getElementById("serial");
  if (scan) {
    let still;
    const back = () => {
      const a = document.activeElement;
      if (a === document.body || a === null || a === main || a.tagName === "A" || a.tagName === "BUTTON") scan.focus({ preventScroll: true });
    };
    scan.focus({ preventScroll: true });
    document.addEventListener("focusout", () => { clearTimeout(still); still = setTimeout(back, 60000); });
    document.addEventListener("pointerup", (e) => { if (!e.target.closest("a, button, input, select, textarea, summary, label")) setTimeout(back, 0); });
    document.addEventListener("keydown", (e) => {
      if (e.altKey || e.ctrlKey || e.metaKey) return;
      const act = /^F\d+$/.test(e.key) && document.querySelector('[data-key="' + e.key + '"]');
      if (act) { e.preventDefault(); act.click(); return; }
      // A scanner that types while a link has the focus: its first letter goes to the field with the rest.
      const a = document.activeElement;
      if (e.key.length === 1 && e.key !== " " && (!a || !/^(INPUT|SELECT|TEXTAREA|SUMMARY)$/.test(a.tagName))) scan.focus({ preventScroll: true });
    });
  }

  // Live parts are put in place of the old ones without taking anything from the reader: what was opened stays open, and a link that
  // had the focus has it again.
  let focused = null;
  document.addEventListener("htmx:oobBeforeSwap", (e) => {
    const old = e.detail.target, fresh = e.detail.fragment;
    if (!old || !fresh) return;
    old.querySelectorAll("details[id]").forEach((d) => {
      const twin = fresh.querySelector("#" + CSS.escape(d.id));
      if (twin) twin.open = d.open;
    });
    if (fresh.firstElementChild && old.isEqualNode(fresh.firstElementChild)) { // nothing new: nothing is put in place, nothing announced
      e.detail.shouldSwap = false;
      return;
    }
    // A form for the next reading of a study into which something was typed stays, and says so when another reading is due.
    const form = old.querySelector("form[data-line]");
    if (form && Array.from(form.elements).some((i) => i.type === "radio" ? i.checked : i.type !== "hidden" && i.tagName === "INPUT" && i.value !== "")) {
      const twin = fresh.querySelector("form[data-line]"), late = form.querySelector("[data-late]");
      if (late && (!twin || twin.dataset.line !== form.dataset.line)) late.hidden = false;
      e.detail.shouldSwap = false;
      return;
    }
    const a = document.activeElement;
    if (a && old.contains(a) && a !== old) {
      focused = { region: old.id, href: a.getAttribute("href"), id: a.id, at: Array.from(old.querySelectorAll("a[href], summary, [tabindex]")).indexOf(a) };
    }
  });
  document.addEventListener("htmx:oobAfterSwap", () => {
    document.querySelectorAll("svg.plot[role=group]").forEach(settle);
    if (!focused) return;
    const region = document.getElementById(focused.region);
    if (region) {
      const a = (focused.id && document.getElementById(focused.id)) ||
        (focused.href && region.querySelector('a[href="' + CSS.escape(focused.href) + '"]')) ||
        region.querySelectorAll("a[href], summary, [tabindex]")[focused.at];
      if (a) a.focus({ preventScroll: true });
    }
    focused = null;
  });

  // A page whose updates have stopped says so, with the time for which it still stands, and fetches itself when they go on.
  const stale = document.getElementById("stale");
  if (stale) {
    let stopped = false;
    const stop = () => {
      if (stopped) return;
      stopped = true;
      const clock = document.getElementById("clock"), at = document.getElementById("stale-at");
      if (clock && at) at.textContent = clock.textContent;
      stale.hidden = false;
    };
    document.addEventListener("htmx:sseError", stop);
    document.addEventListener("htmx:sseClose", stop);
    document.addEventListener("htmx:responseError", stop);
    document.addEventListener("htmx:sendError", stop);
    document.addEventListener("htmx:sseOpen", () => {
      const again = document.getElementById("refetch");
      if (stopped && again && window.htmx) window.htmx.trigger(again, "sse:changed");
    });
    document.addEventListener("htmx:afterRequest", (e) => {
      if (!stopped || !e.detail.successful) return;
      stopped = false;
      stale.hidden = true;
    });
  }
})();
