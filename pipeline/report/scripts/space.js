/* Points, arrows, camera stations and the photos' outlines in space, drawn on a canvas. */
(() => {
  const canvas = document.getElementById("space");
  const pen = canvas.getContext("2d");
  const told = document.getElementById("space-told");
  const controls = canvas.parentElement.querySelector(".controls");
  const shown = {};
  for (const box of controls.querySelectorAll("input")) shown[box.name] = box;
  /* Degrees: turned about the vertical, and tilted from looking along the ground (0) to down (90). */
  const views = {start: [-35, 32], plan: [0, 90], side: [0, 0], front: [90, 0]};
  const times = scene.times;
  const add = (a, b, k) => a.map((v, i) => v + k * b[i]);
  const tip_of = p => (p.off ? add(p.belongs, p.off, times) : p.belongs);

  const all = scene.points.map(p => p.belongs).concat(scene.cards);
  const seen = all.concat(scene.photos.map(photo => photo.at));
  const bounds = (places, pick) => [0, 1, 2].map(i => pick(...places.map(p => p[i])));
  const low = bounds(all, Math.min), high = bounds(all, Math.max);
  const lowest = bounds(seen, Math.min), highest = bounds(seen, Math.max);
  const middle = lowest.map((v, i) => (v + highest[i]) / 2);
  const radius = Math.max(500, Math.hypot(...highest.map((v, i) => v - lowest[i])) / 2);

  let turn, tilt, zoom, chosen = -1, width, height, planned = false;
  const narrow = canvas.closest("section").clientWidth < 600;
  const start = name => { [turn, tilt] = views[name]; zoom = narrow ? 1.3 : 1; };
  /* On a narrow screen the car's length runs up it, as in the narrow plan. */
  if (narrow) Object.assign(views, {start: [-68, 52], plan: [-90, 90]});
  start("start");

  /* Vehicle axes are forward, left, up; front is drawn at the left, as in the plan. */
  let cos_turn, sin_turn, cos_tilt, sin_tilt, scale;
  const aim = () => {
    const a = turn * Math.PI / 180, b = tilt * Math.PI / 180;
    [cos_turn, sin_turn, cos_tilt, sin_tilt] = [Math.cos(a), Math.sin(a), Math.cos(b), Math.sin(b)];
    scale = zoom * 0.5 * Math.min(width, 1.7 * height) / radius;
  };
  const project = p => {
    const [x, y, z] = [p[0] - middle[0], p[1] - middle[1], p[2] - middle[2]];
    const right = -x * cos_turn + y * sin_turn;
    const near = x * sin_turn + y * cos_turn;
    const up = z * cos_tilt - near * sin_tilt;
    const depth = near * cos_tilt + z * sin_tilt;
    const k = scale / (1 - depth / (6 * radius));
    return [width / 2 + k * right, height / 2 - k * up, depth];
  };

  const stroke = (points, colour, wide, dash = []) => {
    pen.strokeStyle = colour;
    pen.lineWidth = wide;
    pen.setLineDash(dash);
    pen.beginPath();
    points.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.stroke();
    pen.setLineDash([]);
  };
  const fill = (points, colour, edge) => {
    pen.beginPath();
    points.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.closePath();
    pen.fillStyle = colour;
    pen.fill();
    if (edge) { pen.strokeStyle = edge; pen.lineWidth = 2; pen.stroke(); }
  };
  const dot = ([x, y], r, colour, edge) => {
    pen.beginPath();
    pen.arc(x, y, r, 0, 7);
    pen.fillStyle = colour;
    pen.fill();
    if (edge) { pen.strokeStyle = edge; pen.lineWidth = 1.4; pen.stroke(); }
  };
  const fonts = ["13px system-ui, sans-serif", "700 14px system-ui, sans-serif"];
  const write = (text, x, y, colour, bold) => {
    pen.font = bold ? fonts[1] : fonts[0];
    pen.lineWidth = 3;
    pen.strokeStyle = "#ffffff";
    pen.lineJoin = "round";
    pen.strokeText(text, x, y);
    pen.fillStyle = colour;
    pen.fillText(text, x, y);
  };

  const ground = () => {
    const step = 500, z = scene.in_vehicle ? 0 : low[2];
    const edge = [0, 1].map(i => [Math.floor(low[i] / step) * step, Math.ceil(high[i] / step) * step]);
    for (let x = edge[0][0]; x <= edge[0][1]; x += step)
      stroke([project([x, edge[1][0], z]), project([x, edge[1][1], z])], "#e3e6ea", 1);
    for (let y = edge[1][0]; y <= edge[1][1]; y += step)
      stroke([project([edge[0][0], y, z]), project([edge[0][1], y, z])],
             scene.in_vehicle && y === 0 ? "#5b636d" : "#e3e6ea", 1);
    if (!scene.in_vehicle) return;
    const nose = [edge[0][1] + 120, 0, z];
    fill([project(nose), project(add(nose, [-150, 90, 0], 1)), project(add(nose, [-150, -90, 0], 1))],
         "#1b1f24");
    const [x, y] = project(nose);
    write(scene.front, x - 18, y - 12, "#1b1f24", true);
  };
  const station = photo => {
    const eye = project(photo.at), corners = photo.corners.map(project);
    for (const corner of corners) stroke([eye, corner], "#9aa3ad", 1);
    stroke([...corners, corners[0]], "#5b636d", 1.2);
    dot(eye, 2.5, "#5b636d");
  };
  const arrow = p => {
    const from = project(p.belongs);
    if (p.base) fill([[-5, -5], [5, -5], [5, 5], [-5, 5]].map(([x, y]) => [from[0] + x, from[1] + y]),
                     "#1b1f24");
    else dot(from, 3.2, "#ffffff", "#1b1f24");
    const ink = scene.inks[p.css];
    if (!p.off) { dot(from, 6, "transparent", ink); return; }
    const to = project(tip_of(p));
    const far = Math.hypot(to[0] - from[0], to[1] - from[1]);
    if (p.css === "within") { stroke([from, to], ink, 2); dot(to, 3, ink); return; }
    const out = p.css === "out", head = Math.min(out ? 14 : 12, Math.max(far, 7));
    const way = far > 0 ? [(to[0] - from[0]) / far, (to[1] - from[1]) / far] : [1, 0];
    const neck = [to[0] - way[0] * head, to[1] - way[1] * head], half = head * 0.5;
    stroke([from, neck], ink, out ? 3.5 : 2.2, out ? [] : [5, 4]);
    fill([to, [neck[0] - way[1] * half, neck[1] + way[0] * half],
          [neck[0] + way[1] * half, neck[1] - way[0] * half]], out ? ink : "#ffffff", ink);
  };

  const draw = () => {
    planned = false;
    aim();
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, width, height);
    ground();
    for (const [a, b] of scene.pairs)
      stroke([project(scene.points[a].belongs), project(scene.points[b].belongs)], "#cfd5db", 1.5);
    const jobs = scene.points.map(p => [project(p.belongs)[2], () => arrow(p)]);
    if (shown.photos.checked)
      for (const photo of scene.photos) jobs.push([project(photo.at)[2], () => station(photo)]);
    if (shown.cards.checked || !scene.points.length)
      for (const card of scene.cards) {
        const at = project(card);
        jobs.push([at[2], () => fill([[-3, -3], [3, -3], [3, 3], [-3, 3]]
          .map(([x, y]) => [at[0] + x, at[1] + y]), "#ffffff", "#5b636d")]);
      }
    jobs.sort((a, b) => a[0] - b[0]).forEach(job => job[1]());
    const taken = [];
    if (shown.names.checked)
      for (const p of scene.points) {
        const [x, y] = project(p.belongs), out = p.css === "out";
        pen.font = out ? fonts[1] : fonts[0];
        const wide = pen.measureText(p.name).width;
        /* On the side that the arrow does not take. */
        const left = p.off && project(tip_of(p))[0] > x + 2 ? x - 8 - wide : x + 8;
        const hides = taken.some(t => left < t[2] && t[0] < left + wide && Math.abs(y - t[1]) < 14);
        if (hides && !out) continue;
        taken.push([left, y, left + wide]);
        write(p.name, left, y - 7, out ? scene.inks.out : "#1b1f24", out);
      }
    if (chosen >= 0) {
      const at = project(scene.points[chosen].belongs);
      dot(at, 12, "transparent", "#005f96");
    }
  };
  const plan = () => { if (!planned) { planned = true; requestAnimationFrame(draw); } };
  const size = () => {
    const ratio = Math.max(2, window.devicePixelRatio || 1);
    width = canvas.clientWidth;
    height = canvas.clientHeight;
    canvas.width = width * ratio;
    canvas.height = height * ratio;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    if (width && height) draw();
  };

  const turn_by = (across, up) => {
    turn = ((turn + across + 540) % 360) - 180;
    tilt = Math.max(-90, Math.min(90, tilt + up));
    plan();
  };
  const zoom_by = k => { zoom = Math.max(0.3, Math.min(12, zoom * k)); plan(); };
  const choose = step => {
    const count = scene.points.length;
    if (!count) return;
    chosen = (chosen + step + (chosen < 0 && step < 0 ? 1 : 0) + count) % count;
    const p = scene.points[chosen];
    told.textContent = lines_of(p).join("; ");
    plan();
  };
  const near = event => {
    const box = canvas.getBoundingClientRect();
    const [x, y] = [event.clientX - box.x, event.clientY - box.y];
    let best = null, least = 18;
    const see = (at, lines, css) => {
      const [px, py] = project(at);
      const far = Math.hypot(px - x, py - y);
      if (far < least) { least = far; best = {lines, css}; }
    };
    for (const p of scene.points) {
      see(p.belongs, lines_of(p), p.css);
      see(tip_of(p), lines_of(p), p.css);
    }
    if (shown.photos.checked) for (const photo of scene.photos) see(photo.at, [photo.name], "none");
    return best;
  };
  const look = event => {
    const found = near(event);
    if (found) tip.show(found.lines, found.css, event.clientX, event.clientY);
    else tip.hide();
  };

  let held = null;
  canvas.addEventListener("pointerdown", event => {
    held = [event.clientX, event.clientY];
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", event => {
    if (!held) { look(event); return; }
    const [x, y] = held;
    held = [event.clientX, event.clientY];
    tip.hide();
    turn_by((event.clientX - x) * 0.4, event.pointerType === "mouse" ? (event.clientY - y) * 0.4 : 0);
  });
  for (const end of ["pointerup", "pointercancel"])
    canvas.addEventListener(end, () => { held = null; });
  canvas.addEventListener("click", look);
  canvas.addEventListener("pointerleave", tip.hide);
  canvas.addEventListener("wheel", event => {
    event.preventDefault();
    zoom_by(Math.exp(-event.deltaY / 600));
  }, {passive: false});
  canvas.addEventListener("keydown", event => {
    const keys = {
      ArrowLeft: () => turn_by(-6, 0), ArrowRight: () => turn_by(6, 0),
      ArrowUp: () => turn_by(0, 6), ArrowDown: () => turn_by(0, -6),
      "+": () => zoom_by(1.2), "=": () => zoom_by(1.2), "-": () => zoom_by(1 / 1.2),
      n: () => choose(1), p: () => choose(-1), N: () => choose(1), P: () => choose(-1),
      Home: () => { start("start"); plan(); },
    };
    if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });
  controls.addEventListener("click", event => {
    const {view, turn: by, zoom: k} = event.target.dataset;
    if (view) { start(view); plan(); }
    if (by) turn_by(...by.split(",").map(Number));
    if (k) zoom_by(Number(k));
  });
  controls.addEventListener("change", plan);
  for (const part of document.querySelectorAll(".scripted")) part.hidden = false;
  for (const part of document.querySelectorAll(".unscripted")) part.hidden = true;
  new ResizeObserver(size).observe(canvas);
})();
