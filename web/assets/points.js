// Arrow keys walk the points of a chart: left and right in order of time, Home and End to the first and last, up and down to the
// nearest point of the pane above or below. Without this script the table under the chart holds the same links.
document.addEventListener("keydown", (event) => {
  const here = event.target instanceof Element && event.target.closest("svg[role=group] a");
  if (!here || event.ctrlKey || event.altKey || event.metaKey || event.shiftKey) return;
  const middle = (link) => {
    const box = link.getBoundingClientRect();
    return box.left + box.width / 2;
  };
  const inTime = (part) => [...part.querySelectorAll("a")].sort((a, b) => middle(a) - middle(b));
  const svg = here.closest("svg");
  const pane = here.closest(".pane") || svg;
  const links = inTime(pane);
  const i = links.indexOf(here);
  const panes = [...svg.querySelectorAll(".pane")].filter((p) => p.querySelector("a"));
  const nearest = (other) =>
    other && inTime(other).reduce((best, a) => (Math.abs(middle(a) - middle(here)) < Math.abs(middle(best) - middle(here)) ? a : best));
  const next = {
    ArrowLeft: () => links[i - 1],
    ArrowRight: () => links[i + 1],
    Home: () => links[0],
    End: () => links[links.length - 1],
    ArrowUp: () => nearest(panes[panes.indexOf(pane) - 1]),
    ArrowDown: () => nearest(panes[panes.indexOf(pane) + 1]),
  }[event.key];
  if (!next) return;
  event.preventDefault();
  const to = next();
  if (!to) return;
  here.setAttribute("tabindex", "-1"); // the drawing keeps one tab stop: where the reader is
  to.removeAttribute("tabindex");
  to.focus();
});
