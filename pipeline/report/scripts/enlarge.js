/* Photos large: zoomed by wheel, keys or buttons, moved by dragging or arrows. */
(() => {
  const dialog = document.getElementById("enlarged");
  const stage = dialog.querySelector(".stage");
  const name = document.getElementById("enlarged-name");
  const pictures = [...document.querySelectorAll(".photos .picture")];
  let at = 0, svg, whole, view, held = null;

  const apply = () => svg.setAttribute("viewBox", view.join(" "));
  const keep = () => {
    for (const i of [0, 1]) {
      view[i + 2] = Math.min(whole[i], Math.max(whole[i] / 12, view[i + 2]));
      view[i] = Math.min(whole[i] - view[i + 2], Math.max(0, view[i]));
    }
    apply();
  };
  const zoom = (k, x = 0.5, y = 0.5) => {
    const wide = Math.min(whole[0], Math.max(whole[0] / 12, view[2] / k));
    const high = wide * whole[1] / whole[0];
    view = [view[0] + x * (view[2] - wide), view[1] + y * (view[3] - high), wide, high];
    keep();
  };
  const move = (across, down) => {
    view[0] += across * view[2];
    view[1] += down * view[3];
    keep();
  };
  const open = index => {
    at = (index + pictures.length) % pictures.length;
    svg = pictures[at].querySelector("svg").cloneNode(true);
    whole = [svg.viewBox.baseVal.width, svg.viewBox.baseVal.height];
    view = [0, 0, ...whole];
    stage.replaceChildren(svg);
    name.textContent = pictures[at].closest("figure").querySelector("figcaption").textContent;
    if (!dialog.open) dialog.showModal();
    stage.focus();
  };
  pictures.forEach((picture, index) => {
    const button = picture.querySelector(".enlarge");
    button.hidden = false;
    picture.addEventListener("click", () => open(index));
  });
  dialog.addEventListener("click", event => {
    const {zoom: k, step, close} = event.target.dataset;
    if (k) zoom(Number(k));
    if (step) open(at + Number(step));
    if (close !== undefined || event.target === dialog) dialog.close();
  });
  stage.addEventListener("keydown", event => {
    const keys = {
      "+": () => zoom(1.4), "=": () => zoom(1.4), "-": () => zoom(1 / 1.4),
      ArrowLeft: () => move(-0.15, 0), ArrowRight: () => move(0.15, 0),
      ArrowUp: () => move(0, -0.15), ArrowDown: () => move(0, 0.15),
      PageDown: () => open(at + 1), PageUp: () => open(at - 1),
    };
    if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });
  stage.addEventListener("wheel", event => {
    event.preventDefault();
    const box = svg.getBoundingClientRect();
    zoom(Math.exp(-event.deltaY / 400),
         (event.clientX - box.x) / box.width, (event.clientY - box.y) / box.height);
  }, {passive: false});
  stage.addEventListener("pointerdown", event => {
    held = [event.clientX, event.clientY];
    stage.setPointerCapture(event.pointerId);
  });
  stage.addEventListener("pointermove", event => {
    if (!held) return;
    const box = svg.getBoundingClientRect();
    move((held[0] - event.clientX) / box.width, (held[1] - event.clientY) / box.height);
    held = [event.clientX, event.clientY];
  });
  for (const end of ["pointerup", "pointercancel"])
    stage.addEventListener(end, () => { held = null; });
})();
