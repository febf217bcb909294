/* The figures of a point beside the place that the pointer, a finger or the focus is at. */
const scene = JSON.parse(document.getElementById("scene").textContent);
const tip = (() => {
  const box = document.getElementById("tip");
  const hide = () => { box.hidden = true; };
  const show = (lines, css, x, y) => {
    box.className = css;
    box.replaceChildren(...lines.map((line, n) => {
      const part = document.createElement(n ? "div" : "strong");
      part.dir = "auto";
      part.textContent = line;
      return part;
    }));
    box.hidden = false;
    const wide = document.documentElement.clientWidth;
    const left = x + 16 + box.offsetWidth > wide ? x - 16 - box.offsetWidth : x + 16;
    const below = y + 14 + box.offsetHeight > window.innerHeight;
    box.style.left = Math.max(4, left) + window.scrollX + "px";
    box.style.top = (below ? y - 14 - box.offsetHeight : y + 14) + window.scrollY + "px";
  };
  document.addEventListener("keydown", event => { if (event.key === "Escape") hide(); });
  return {show, hide};
})();
const lines_of = point => [point.name, ...point.lines];

for (const drawing of document.querySelectorAll("svg.drawing")) {
  const spots = [...drawing.querySelectorAll(".spot")];
  if (!spots.length) continue;
  let lit = null;
  const leave = () => { lit?.classList.remove("lit"); lit = null; tip.hide(); };
  const light = spot => {
    if (lit !== spot) { lit?.classList.remove("lit"); spot.classList.add("lit"); lit = spot; }
    const place = spot.lastElementChild.getBoundingClientRect();
    const point = scene.points[spot.dataset.point];
    tip.show(lines_of(point), point.css, place.x + place.width / 2, place.y + place.height / 2);
  };
  const near = event => {
    let best = null, least = 26;
    for (const spot of spots) {
      const place = spot.lastElementChild.getBoundingClientRect();
      const far = Math.hypot(event.clientX - place.x - place.width / 2,
                             event.clientY - place.y - place.height / 2);
      if (far < least) { best = spot; least = far; }
    }
    return best;
  };
  const look = event => { const spot = near(event); if (spot) light(spot); else leave(); };
  for (const spot of spots) {
    spot.querySelector("title").remove(); /* else the browser shows a second box */
    spot.addEventListener("focus", () => light(spot));
    spot.addEventListener("blur", leave);
    spot.addEventListener("keydown", event => {
      const step = {ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1}[event.key];
      if (!step) return;
      event.preventDefault();
      const next = spots[(spots.indexOf(spot) + step + spots.length) % spots.length];
      spot.tabIndex = -1;
      next.tabIndex = 0;
      next.focus();
    });
  }
  drawing.addEventListener("pointermove", look);
  drawing.addEventListener("click", look);
  drawing.addEventListener("pointerleave", event => {
    if (event.pointerType === "mouse") leave();
  });
}
