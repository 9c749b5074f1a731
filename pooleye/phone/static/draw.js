// Rim and pool drawn by hand: handles, a magnifier, and the numbers worked out anew by the computer after each move.
"use strict";
(() => {
  const stage = document.getElementById("stage"), svg = document.getElementById("draw"), lens = document.getElementById("lens");
  if (!stage) return;
  const SVG = "http://www.w3.org/2000/svg", POOL_HANDLES = 12, HAND_CSS_PX = 1.5, LENS_SHARE = 0.16;
  const form = document.getElementById("drawn"), field = (name) => form.elements[name];
  const [cx, cy, a, b, angle] = stage.dataset.rim.split(",").map(Number);
  const rim = { cx, cy, a, b, angle: (angle * Math.PI) / 180 };
  let pool = stage.dataset.pool.trim().split(/\s+/).filter(Boolean).map((p) => p.split(",").map(Number));
  const [width, height] = stage.dataset.limits.split(",").map(Number);
  const perCss = () => svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;

  const onRim = (turn) => {
    const c = Math.cos(rim.angle), s = Math.sin(rim.angle), x = rim.a * Math.cos(turn), y = rim.b * Math.sin(turn);
    return [rim.cx + c * x - s * y, rim.cy + s * x + c * y];
  };
  const middle = () => pool.reduce(([x, y], p) => [x + p[0] / pool.length, y + p[1] / pool.length], [0, 0]);

  // Moving one handle of the pool carries the outline on both sides with it, less and less up to the next handle.
  function poolHandle(k) {
    const [mx, my] = middle(), wanted = (k / POOL_HANDLES) * 2 * Math.PI;
    const off = (p) => Math.abs(Math.atan2(Math.sin(Math.atan2(p[1] - my, p[0] - mx) - wanted), Math.cos(Math.atan2(p[1] - my, p[0] - mx) - wanted)));
    return pool.reduce((best, p, index) => (off(p) < off(pool[best]) ? index : best), 0);
  }
  function movePool(index, dx, dy, before) {
    const n = before.length, reach = Math.max(1, Math.round(n / POOL_HANDLES));
    pool = before.map(([x, y], i) => {
      const far = Math.min((i - index + n) % n, (index - i + n) % n) / reach;
      const share = far < 1 ? 0.5 + 0.5 * Math.cos(Math.PI * far) : 0;
      return [x + share * dx, y + share * dy];
    });
  }

  const RIM_HANDLES = [["rim, middle", null], ["rim, one side", 0], ["rim, second side", Math.PI / 2], ["rim, third side", Math.PI], ["rim, fourth side", -Math.PI / 2]];
  function moveRim(turn, [x, y], before) {
    if (turn === null) { rim.cx = x; rim.cy = y; return; }
    // The opposite end stays where it is: an edge is put right on one side at a time.
    const c = Math.cos(before.angle), s = Math.sin(before.angle), along = Math.abs(Math.cos(turn)) > 0.5;
    const half = along ? before.a : before.b, sign = along ? Math.sign(Math.cos(turn)) : Math.sign(Math.sin(turn));
    const ax = along ? [c, s] : [-s, c];
    const out = sign * ((x - before.cx) * ax[0] + (y - before.cy) * ax[1]);
    const grown = Math.max((out + half) / 2, 10), shift = (grown - half) * sign;
    rim.cx = before.cx + shift * ax[0]; rim.cy = before.cy + shift * ax[1];
    if (along) rim.a = grown; else rim.b = grown;
  }

  // --- drawing ---------------------------------------------------------------------------------------------------------
  const handles = document.getElementById("handles");
  const moving = () => document.querySelector("[name=what]:checked").value;
  function line() {
    document.getElementById("pool-line").setAttribute("points", pool.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" "));
    const r = document.getElementById("rim-line");
    for (const [name, value] of [["cx", rim.cx], ["cy", rim.cy], ["rx", rim.a], ["ry", rim.b]]) r.setAttribute(name, value.toFixed(2));
    r.setAttribute("transform", `rotate(${(rim.angle * 180) / Math.PI} ${rim.cx} ${rim.cy})`);
  }
  const places = () => moving() === "rim"
    ? RIM_HANDLES.map(([label, turn]) => ({ label, turn, at: turn === null ? [rim.cx, rim.cy] : onRim(turn) }))
    : pool.length ? [...Array(POOL_HANDLES).keys()].map((k) => { const index = poolHandle(k); return { label: `pool, ${k + 1} of ${POOL_HANDLES}`, index, at: pool[index] }; }) : [];
  function put() {
    line();
    const kind = moving(), size = 13 * perCss();
    places().forEach((place, k) => {
      let one = handles.children[k];
      if (!one || one.dataset.kind !== kind) {
        one = document.createElementNS(SVG, "circle");
        one.setAttribute("class", `handle ${kind}`); one.dataset.kind = kind;
        one.setAttribute("tabindex", "0"); one.setAttribute("role", "button");
        one.addEventListener("pointerdown", (event) => grab(event, k));
        one.addEventListener("keydown", (event) => nudge(event, k));
        if (handles.children[k]) handles.children[k].replaceWith(one); else handles.append(one);
      }
      one.setAttribute("aria-label", place.label);
      one.setAttribute("cx", place.at[0]); one.setAttribute("cy", place.at[1]); one.setAttribute("r", size);
    });
    while (handles.children.length > places().length) handles.lastChild.remove();
  }
  function toPhoto(event) {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [Math.min(Math.max(p.x, 0), width), Math.min(Math.max(p.y, 0), height)];
  }
  function magnify([x, y], event) {
    const span = svg.viewBox.baseVal.width * LENS_SHARE, box = svg.getBoundingClientRect();
    lens.setAttribute("viewBox", `${x - span / 2} ${y - span / 2} ${span} ${span}`);
    lens.querySelector("path").setAttribute("d", `M${x - span / 12} ${y}h${span / 6}M${x} ${y - span / 12}v${span / 6}`);
    lens.classList.toggle("right", event.clientX - box.left < box.width / 2);
    lens.removeAttribute("hidden");
  }

  // --- moving ----------------------------------------------------------------------------------------------------------
  function step(place, from, to, before) {
    if (place.index === undefined) moveRim(place.turn, [place.at[0] + to[0] - from[0], place.at[1] + to[1] - from[1]], before.rim);
    else movePool(place.index, to[0] - from[0], to[1] - from[1], before.pool);
  }
  function grab(event, k) {
    event.preventDefault();
    const handle = handles.children[k], place = places()[k], from = toPhoto(event);
    const before = { rim: { ...rim }, pool: pool.map((p) => [...p]) };
    handle.setPointerCapture(event.pointerId);
    const drag = (move) => {
      const to = toPhoto(move);
      step(place, from, to, before);
      line();
      const at = [place.at[0] + to[0] - from[0], place.at[1] + to[1] - from[1]];
      handle.setAttribute("cx", at[0]); handle.setAttribute("cy", at[1]);
      magnify(at, move);
    };
    const drop = () => {
      handle.removeEventListener("pointermove", drag);
      handle.removeEventListener("pointerup", drop);
      handle.removeEventListener("pointercancel", drop);
      lens.setAttribute("hidden", "");
      put();
      work_out();
    };
    handle.addEventListener("pointermove", drag);
    handle.addEventListener("pointerup", drop);
    handle.addEventListener("pointercancel", drop);
  }
  const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  let later = 0;
  function nudge(event, k) {
    const arrow = ARROWS[event.key];
    if (!arrow) return;
    event.preventDefault();
    const place = places()[k], far = (event.shiftKey ? 10 : 1) * perCss();
    step(place, [0, 0], [arrow[0] * far, arrow[1] * far], { rim: { ...rim }, pool: pool.map((p) => [...p]) });
    put();
    clearTimeout(later);
    later = setTimeout(work_out, 400);
  }

  // --- the numbers -----------------------------------------------------------------------------------------------------
  function fill() {
    field("rim").value = [rim.cx, rim.cy, rim.a, rim.b, (rim.angle * 180) / Math.PI].map((v) => v.toFixed(2)).join(",");
    field("pool").value = pool.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
    field("u_px").value = (HAND_CSS_PX * perCss()).toFixed(3);
  }
  let turn = 0;
  async function work_out() {
    fill();
    const mine = ++turn, numbers = document.getElementById("numbers");
    numbers.setAttribute("aria-busy", "true");
    const body = new URLSearchParams({ rim: field("rim").value, pool: field("pool").value, u_px: field("u_px").value });
    try {
      const answer = await fetch(form.getAttribute("action"), { method: "POST", body, headers: { Accept: "text/html" } });
      const text = await answer.text();
      if (mine !== turn) return;
      if (answer.ok) numbers.innerHTML = text;  // our own template, escaped by the server
      else numbers.textContent = new DOMParser().parseFromString(text, "text/html").querySelector(".box.wrong")?.textContent ?? "Not worked out.";
    } catch { if (mine === turn) numbers.textContent = "No connection: the numbers follow when it is back; what you drew stays."; }
    numbers.removeAttribute("aria-busy");
  }

  document.getElementById("pool-none").addEventListener("click", () => { pool = []; put(); work_out(); });
  document.getElementById("pool-new").addEventListener("click", () => {
    pool = [...Array(120).keys()].map((k) => { const [x, y] = onRim((k / 120) * 2 * Math.PI); return [rim.cx + 0.6 * (x - rim.cx), rim.cy + 0.6 * (y - rim.cy)]; });
    document.querySelector("[name=what][value=pool]").checked = true;
    put(); work_out();
  });
  for (const one of document.querySelectorAll("[name=what]")) one.addEventListener("change", put);
  addEventListener("resize", put);
  put(); fill();
})();
