// Four-cornered shapes over a picture: boards on a photo, or zones on a face. Streamlit component v2.
//
// Python -> here   data = { rev, url, size: [w, h], shapes: [{key, name, corners: [[x, y] x 4]}], noun, words,
//                           can: {split, merge} }       corners clockwise from the upper left, picture pixels
// here -> Python   state "drawn" = { rev, seq, shapes: [{key, corners}] }; new shapes have keys "new-1", "new-2"
const STATES = new WeakMap();
const GLASS_TIMES = 4;
const SVG = "http://www.w3.org/2000/svg";

export default function ({ parentElement: root, data, setStateValue }) {
  let s = STATES.get(root);
  if (!s) { s = { rev: null, seq: 0, shapes: [], picked: null, merging: false, zoom: 1, made: 0, past: [] }; STATES.set(root, s); }
  const room = root.querySelector(".room"), sheet = root.querySelector(".sheet"), picture = root.querySelector(".picture");
  const lines = root.querySelector(".lines"), glass = root.querySelector(".glass");
  const tools = root.querySelector(".tools"), spoken = root.querySelector(".spoken");
  if (s.rev !== data.rev) { s.rev = data.rev; s.shapes = data.shapes.map(copy); s.picked = null; s.merging = false; s.past = []; }
  if (picture.src !== data.url) picture.src = data.url;
  picture.alt = data.words;
  const [W, H] = data.size;
  lines.setAttribute("viewBox", `0 0 ${W} ${H}`);

  const shape = key => s.shapes.find(x => x.key === key);
  const named = x => x.name || `new ${data.noun}`;
  const say = text => { spoken.textContent = ""; requestAnimationFrame(() => (spoken.textContent = text)); };
  const per_px = () => W / (sheet.clientWidth || W);        // picture pixels in one pixel of the page
  const remember = () => { s.past = [...s.past, s.shapes.map(copy)].slice(-60); };
  function done(words) {
    s.seq += 1; paint(); if (words) say(words);
    setStateValue("drawn", { rev: s.rev, seq: s.seq, shapes: s.shapes.map(({ key, corners }) => ({ key, corners })) });
  }

  // --- drawing -------------------------------------------------------------------------------
  function paint() {
    const focused = root.activeElement?.dataset?.at;
    sheet.style.width = `${100 * s.zoom}%`;
    lines.replaceChildren();
    for (const x of s.shapes) {
      const points = x.corners.map(c => c.join(",")).join(" ");
      lines.append(node("polygon", { class: "under", points }));
      const outline = node("polygon", { class: `shape${x.key === s.picked ? " picked" : ""}`, points, tabindex: 0, role: "button", "aria-label": `${data.noun} ${named(x)}`, "data-key": x.key, "data-at": x.key });
      const [cx, cy] = centre(x.corners);
      const name = node("text", { class: "name", x: cx, y: cy, "font-size": 18 * per_px(), "stroke-width": 5 * per_px() });
      name.textContent = named(x);
      lines.append(outline, name);
    }
    const x = shape(s.picked);
    if (x) for (const [k, [px, py]] of grips(x.corners).entries()) {
      const words = k < 4 ? `corner ${k + 1}` : `edge ${k - 3}`;
      const g = k < 4 ? node("circle", { cx: px, cy: py, r: 11 * per_px() })
                      : node("rect", { x: px - 9 * per_px(), y: py - 9 * per_px(), width: 18 * per_px(), height: 18 * per_px() });
      for (const [name, value] of Object.entries({ class: "grip", tabindex: 0, role: "button", "aria-label": `${words} of ${named(x)}; arrow keys move it`, "data-grip": k, "data-at": `${x.key}/${k}` })) g.setAttribute(name, value);
      lines.append(g);
    }
    paint_tools();
    if (focused) lines.querySelector(`[data-at="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  }
  function paint_tools() {
    const x = shape(s.picked), who = document.createElement("span");
    who.className = x ? "who" : "hint";
    who.textContent = s.merging ? `Tap the ${data.noun} to join with ${named(x)}` : x ? named(x) : `Tap a ${data.noun} to change it.`;
    tools.replaceChildren(who);
    const add = (words, act, { off, pressed } = {}) => {
      const b = document.createElement("button"); b.type = "button"; b.textContent = words; b.disabled = Boolean(off); b.onclick = act;
      if (pressed !== undefined) b.setAttribute("aria-pressed", String(pressed));
      tools.append(b);
    };
    add(`Add a ${data.noun}`, add_shape);
    if (data.can.split) add("Split along", split, { off: !x });
    if (data.can.merge) add("Join with", () => { s.merging = !s.merging; paint(); }, { off: !x || s.shapes.length < 2, pressed: s.merging });
    add("Remove", remove, { off: !x });
    add("Undo", () => { s.shapes = s.past.pop(); if (!shape(s.picked)) s.picked = null; done("Undone"); }, { off: !s.past.length });
    add("Closer", () => { s.zoom = Math.min(6, s.zoom * 1.5); paint(); }); add("Farther", () => { s.zoom = Math.max(1, s.zoom / 1.5); paint(); }, { off: s.zoom === 1 });
  }
  function show_glass(x, y) {
    const k = sheet.clientWidth / W, shown = GLASS_TIMES * k, half = 66;
    glass.style.display = "block";
    glass.style.backgroundImage = `url("${data.url}")`;
    glass.style.backgroundSize = `${W * shown}px ${H * shown}px`;
    glass.style.backgroundPosition = `${half - x * shown}px ${half - y * shown}px`;
    const left = x * k > sheet.clientWidth / 2 ? x * k - 190 : x * k + 60;
    glass.style.left = `${left}px`; glass.style.top = `${Math.max(0, y * k - 150)}px`;
  }

  // --- edits ---------------------------------------------------------------------------------
  function pick(key) {
    if (s.merging && key !== s.picked) { join(key); return; }
    s.picked = key; s.merging = false; paint();
  }
  function add_shape() {
    remember();
    const k = sheet.clientWidth / W, cx = (room.scrollLeft + room.clientWidth / 2) / k, cy = (room.scrollTop + Math.min(room.clientHeight, sheet.clientHeight) / 2) / k;
    const w = 0.3 * room.clientWidth / k, h = 0.05 * room.clientWidth / k;
    const key = `new-${(s.made += 1)}`;
    s.shapes.push({ key, name: "", corners: clamped([[cx - w, cy - h], [cx + w, cy - h], [cx + w, cy + h], [cx - w, cy + h]]) });
    s.picked = key; done(`Added a ${data.noun}`);
  }
  function remove() { remember(); const x = shape(s.picked); s.shapes = s.shapes.filter(y => y !== x); s.picked = null; s.merging = false; done(`Removed ${named(x)}`); }
  function split() {
    remember();
    const x = shape(s.picked), [a, b, c, d] = x.corners, left = mid(a, d), right = mid(b, c);
    x.corners = [a, b, right, left];
    s.shapes.splice(s.shapes.indexOf(x) + 1, 0, { key: `new-${(s.made += 1)}`, name: "", corners: [left.slice(), right.slice(), c, d] });
    done(`Split ${named(x)} in two`);
  }
  function join(key) {
    remember();
    const pair = [shape(s.picked), shape(key)].sort((p, q) => centre(p.corners)[1] - centre(q.corners)[1]);
    const kept = shape(s.picked);
    kept.corners = [pair[0].corners[0], pair[0].corners[1], pair[1].corners[2], pair[1].corners[3]];
    s.shapes = s.shapes.filter(x => x.key !== key); s.merging = false; done(`Joined into ${named(kept)}`);
  }
  // Grips 0 to 3 are corners; 4 to 7 are the edges from each corner to the next, which move both.
  function shift(x, grip, dx, dy) {
    const which = grip < 4 ? [grip] : [grip - 4, (grip - 3) % 4];
    for (const k of which) x.corners[k] = [x.corners[k][0] + dx, x.corners[k][1] + dy];
    x.corners = clamped(x.corners);
  }
  const clamped = corners => corners.map(([x, y]) => [Math.min(W, Math.max(0, x)), Math.min(H, Math.max(0, y))]);

  lines.onpointerdown = e => {
    const grip = e.target.dataset?.grip;
    if (grip === undefined || e.button !== 0) return;
    e.preventDefault(); remember();
    const x = shape(s.picked), k = Number(grip); let at = [e.clientX, e.clientY], moved = false;
    e.target.focus({ preventScroll: true });
    lines.setPointerCapture(e.pointerId);
    lines.onpointermove = ev => {
      const scale = per_px(); shift(x, k, (ev.clientX - at[0]) * scale, (ev.clientY - at[1]) * scale);
      at = [ev.clientX, ev.clientY]; moved = true; paint(); show_glass(...grips(x.corners)[k]);
    };
    lines.onpointerup = lines.onpointercancel = ev => {
      lines.onpointermove = lines.onpointerup = lines.onpointercancel = null; glass.style.display = "none";
      if (ev.type === "pointercancel" || !moved) { s.shapes = s.past.pop(); paint(); } else done(`${named(x)} moved`);
    };
  };
  lines.onclick = e => { const key = e.target.dataset?.key; if (key) pick(key); };
  lines.onkeydown = e => {
    const { key, grip } = e.target.dataset ?? {};
    const step = (e.shiftKey ? 10 : 1) * Math.max(1, per_px());
    const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
    if (grip !== undefined && way) { remember(); shift(shape(s.picked), Number(grip), ...way); done(); }
    else if (key && (e.key === "Enter" || e.key === " ")) pick(key);
    else if (s.picked && e.key === "Delete") remove();
    else if (s.picked && e.key === "Escape") { s.picked = null; s.merging = false; paint(); }
    else return;
    e.preventDefault(); e.stopPropagation();
  };
  tools.onkeydown = e => { if (!e.ctrlKey && !e.metaKey && e.key.length === 1) e.stopPropagation(); };
  const watcher = new ResizeObserver(() => paint());
  watcher.observe(room);
  paint();
  return () => watcher.disconnect();
}

function copy(x) { return { ...x, corners: x.corners.map(c => [...c]) }; }
function mid(a, b) { return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]; }
function centre(corners) { return mid(mid(corners[0], corners[2]), mid(corners[1], corners[3])); }
function grips(corners) { return [...corners, ...corners.map((c, k) => mid(c, corners[(k + 1) % 4]))]; }
function node(tag, attributes) { const n = document.createElementNS(SVG, tag); for (const [k, v] of Object.entries(attributes)) n.setAttribute(k, v); return n; }
