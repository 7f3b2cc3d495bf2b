// Shapes over a picture: boards on a photo, or marks on a face. Streamlit component v2.
//
// Python -> here   data = { rev, url, size: [w, h], noun, words, can: {split, merge}, kinds: [[value, words]], new_px,
//                           shapes: [{key, name, tag, note, kind, fixed, off, corners: [[x, y] ...]}] }
//                  corners clockwise from the upper left, picture pixels; four, unless the shape is fixed. With
//                  kinds there is a list of the shapes, a new one reaches new_px from its middle, and one that was
//                  found is put off and on instead of removed.
// here -> Python   state "drawn" = { rev, seq, shapes: [{key, corners, kind, off}] }; keys of new shapes are
//                  "new-1", "new-2" ...
const STATES = new WeakMap();
const GLASS_TIMES = 4;
const SVG = "http://www.w3.org/2000/svg";

export default function ({ parentElement: root, data, setStateValue }) {
  let s = STATES.get(root);
  if (!s) { s = { rev: null, seq: 0, shapes: [], picked: null, merging: false, placing: false, kind: null, zoom: 1, made: 0, past: [] }; STATES.set(root, s); }
  const room = root.querySelector(".room"), sheet = root.querySelector(".sheet"), picture = root.querySelector(".picture");
  const lines = root.querySelector(".lines"), glass = root.querySelector(".glass");
  const tools = root.querySelector(".tools"), list = root.querySelector(".list"), spoken = root.querySelector(".spoken");
  const has_kinds = data.kinds.length > 0;
  if (s.rev !== data.rev) {
    s.rev = data.rev; s.shapes = data.shapes.map(copy); s.merging = s.placing = false; s.past = [];
    if (!s.shapes.some(x => x.key === s.picked)) s.picked = null;
  }
  for (const { key, name, tag, note } of data.shapes) Object.assign(s.shapes.find(x => x.key === key) ?? {}, { name, tag, note });
  for (const { key } of s.shapes) if (/^new-\d+$/.test(key)) s.made = Math.max(s.made, Number(key.slice(4)));
  root.querySelector(".whole").classList.toggle("kinds", has_kinds);
  tools.setAttribute("aria-label", `Change the ${data.noun}s`);
  if (picture.src !== data.url) picture.src = data.url;
  picture.alt = data.words;
  const [W, H] = data.size;
  lines.setAttribute("viewBox", `0 0 ${W} ${H}`);

  const shape = key => s.shapes.find(x => x.key === key);
  const kind_words = kind => data.kinds.find(([value]) => value === kind)?.[1] ?? kind;
  const named = x => has_kinds ? [x.tag, kind_words(x.kind)].filter(Boolean).join(" ") : x.name || `new ${data.noun}`;
  const say = text => { spoken.textContent = ""; requestAnimationFrame(() => (spoken.textContent = text)); };
  const per_px = () => W / (sheet.clientWidth || W);        // picture pixels in one pixel of the page
  const remember = () => { s.past = [...s.past, s.shapes.map(copy)].slice(-60); };
  function done(words) {
    s.seq += 1; paint(); if (words) say(words);
    setStateValue("drawn", { rev: s.rev, seq: s.seq, shapes: s.shapes.map(({ key, corners, kind, off }) => ({ key, corners, kind, off })) });
  }

  // --- drawing -------------------------------------------------------------------------------
  function paint() {
    const focused = root.activeElement?.dataset?.at;
    sheet.style.width = `${100 * s.zoom}%`;
    lines.replaceChildren();
    const taken = [];
    for (const x of [...s.shapes].sort((p, q) => (p.key === s.picked) - (q.key === s.picked))) {
      const points = x.corners.map(c => c.join(",")).join(" "), picked = x.key === s.picked;
      const look = ["shape", picked && "picked", x.off && "off", picked && can_move(x) && "movable"].filter(Boolean).join(" ");
      lines.append(node("polygon", { class: "under", points }));
      lines.append(node("polygon", { class: look, points, tabindex: 0, role: "button", "aria-pressed": picked, "aria-label": `${has_kinds ? "" : `${data.noun} `}${named(x)}${x.off ? ", taken away" : ""}`, "data-key": x.key, "data-at": x.key }));
      paint_name(x, taken);
    }
    const x = shape(s.picked);
    if (x && !x.fixed) for (const [k, [px, py]] of handles(x).entries()) {
      const words = k < 4 ? `corner ${k + 1}` : `edge ${k - 3}`;
      const g = k < 4 ? node("circle", { cx: px, cy: py, r: 11 * per_px() })
                      : node("rect", { x: px - 9 * per_px(), y: py - 9 * per_px(), width: 18 * per_px(), height: 18 * per_px() });
      for (const [name, value] of Object.entries({ class: "grip", tabindex: 0, role: "button", "aria-label": `${words} of ${named(x)}; arrow keys move it`, "data-grip": k, "data-at": `${x.key}/${k}` })) g.setAttribute(name, value);
      lines.append(node("circle", { class: "reach", cx: px, cy: py, r: 22 * per_px(), "data-grip": k }), g);
    }
    paint_tools();
    paint_list();
    if (focused) root.querySelector(`[data-at="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  }
  // A board's name stands in it; a mark's tag above it, where no other tag stands yet.
  function paint_name(x, taken) {
    const words = has_kinds ? x.tag ?? "" : named(x), size = (has_kinds ? 15 : 18) * per_px(), box = box_of(x.corners);
    let [cx, cy] = centre(box_corners(box));
    if (!has_kinds) [cx, cy] = centre(x.corners);
    else if (x.key === s.picked && !x.fixed) return;  // its grips stand there, and the tools say its name
    else {
      cy = box.top - 0.7 * size < 0 ? box.bottom + 0.7 * size : box.top - 0.7 * size;
      const wide = 0.45 * size * (words.length + 1);
      cx = Math.min(W - wide, Math.max(wide, cx)); cy = Math.min(H - 0.6 * size, cy);
      if (x.key !== s.picked && taken.some(([tx, ty, far]) => Math.abs(tx - cx) < far + wide && Math.abs(ty - cy) < size)) return;
      taken.push([cx, cy, wide]);
    }
    const name = node("text", { class: `name${x.off ? " off" : ""}`, x: cx, y: cy, "font-size": size, "stroke-width": 5 * per_px() });
    name.textContent = words;
    lines.append(name);
  }
  function add_button(where, words, act, { off, pressed, at = `tool/${words}`, look = "" } = {}) {
    const b = document.createElement("button"); b.type = "button"; b.textContent = words; b.disabled = Boolean(off); b.onclick = act; b.className = look; b.dataset.at = at;
    if (pressed !== undefined) b.setAttribute("aria-pressed", String(pressed));
    where.append(b);
    return b;
  }
  function paint_tools() {
    const x = shape(s.picked), who = document.createElement("span");
    who.className = x ? "who" : "hint";
    who.textContent = s.placing ? `Tap the picture where the ${data.noun} is.` : s.merging ? `Tap the ${data.noun} to join with ${named(x)}` : x ? named(x) : `Tap a ${data.noun} to change it.`;
    tools.replaceChildren(who);
    const add = (words, act, how) => add_button(tools, words, act, how);
    if (has_kinds) paint_kinds(x);
    add(`Add a ${data.noun}`, has_kinds ? begin_placing : add_in_view, has_kinds ? { pressed: s.placing } : {});
    if (data.can.split) add("Split along", split, { off: !x });
    if (data.can.merge) add("Join with", () => { s.merging = !s.merging; paint(); }, { off: !x || s.shapes.length < 2, pressed: s.merging });
    add(x?.off ? "Put back" : "Remove", () => remove(x), { off: !x, at: "tool/remove" });
    add("Undo", () => { s.shapes = s.past.pop(); if (!shape(s.picked)) s.picked = null; done("Undone"); }, { off: !s.past.length });
    add("Closer", () => zoom_to(s.zoom * 1.5), { off: s.zoom >= most_zoom() }); add("Farther", () => zoom_to(s.zoom / 1.5), { off: s.zoom === 1 });
  }
  function paint_kinds(x) {
    const label = document.createElement("label"), choice = document.createElement("select");
    label.textContent = "Kind "; choice.dataset.at = "tool/kind"; choice.disabled = Boolean(x?.off);
    for (const [value, words] of data.kinds) choice.append(new Option(words, value));
    choice.value = x ? x.kind : s.kind ?? data.kinds[0][0];
    choice.onchange = () => {
      s.kind = choice.value;
      if (!x) return;
      remember(); x.kind = choice.value; done(`Now ${named(x)}`);
    };
    label.append(choice); tools.append(label);
  }
  function paint_list() {
    const down = list.scrollTop;
    list.replaceChildren();
    if (has_kinds) for (const x of s.shapes) {
      const row = document.createElement("li");
      const who = add_button(row, "", () => pick(x.key), { pressed: x.key === s.picked, at: `row/${x.key}`, look: x.off ? "row off" : "row" });
      const name = document.createElement("b"); name.textContent = named(x);
      who.append(name, ` ${x.note ?? ""}`);
      add_button(row, x.off ? "Put back" : "Remove", () => remove(x), { at: `act/${x.key}` }).setAttribute("aria-label", `${x.off ? "Put back" : "Remove"} ${named(x)}`);
      list.append(row);
    }
    list.scrollTop = down;
  }
  function show_glass(x, y) {
    const k = sheet.clientWidth / W, shown = GLASS_TIMES * k, half = 66;
    if (k > 1) return;  // every pixel shows already
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
    if (has_kinds) bring(shape(key));
  }
  function add_in_view() {
    const k = sheet.clientWidth / W, cx = (room.scrollLeft + room.clientWidth / 2) / k, cy = (room.scrollTop + Math.min(room.clientHeight, sheet.clientHeight) / 2) / k;
    const half = Math.min(30 / k, data.new_px);
    if (has_kinds) add_shape(cx, cy, half, half); else add_shape(cx, cy, 0.3 * room.clientWidth / k, 0.05 * room.clientWidth / k);
  }
  function add_shape(cx, cy, w, h) {
    remember();
    const key = `new-${(s.made += 1)}`;
    s.shapes.push({ key, name: "", kind: s.kind ?? data.kinds[0]?.[0], off: false, corners: clamped([[cx - w, cy - h], [cx + w, cy - h], [cx + w, cy + h], [cx - w, cy + h]]) });
    s.picked = key; s.placing = false; done(`Added a ${data.noun}`);
    if (has_kinds) bring(shape(key));
  }
  // A press of a key has no place on the picture: the mark then comes into the middle of the view.
  function begin_placing(e) { if (e.detail === 0) add_in_view(); else { s.placing = !s.placing; s.picked = null; paint(); } }
  function remove(x) {
    remember();
    if (x.fixed && has_kinds && !x.key.startsWith("new-")) { x.off = !x.off; done(`${named(x)} ${x.off ? "taken away" : "put back"}`); return; }
    s.shapes = s.shapes.filter(y => y !== x); if (s.picked === x.key) s.picked = null; s.merging = false; done(`Removed ${named(x)}`);
  }
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
  // --- closer and farther ----------------------------------------------------------------------
  function most_zoom() { return has_kinds ? Math.max(6, 3 * W / (room.clientWidth || W)) : 6; }
  function zoom_to(zoom) {
    const k = sheet.clientWidth / W, cx = (room.scrollLeft + room.clientWidth / 2) / k, cy = (room.scrollTop + room.clientHeight / 2) / k;
    s.zoom = Math.min(most_zoom(), Math.max(1, zoom)); paint(); look_at(cx, cy);
  }
  function look_at(cx, cy) {
    const k = sheet.clientWidth / W;
    room.scrollTo(cx * k - room.clientWidth / 2, cy * k - room.clientHeight / 2);
  }
  function bring(x) {
    const box = box_of(x.corners), wide = Math.max(box.right - box.left, box.bottom - box.top, 1);
    const wanted = Math.min(160, 0.3 * room.clientWidth) * W / (wide * room.clientWidth);
    if (s.zoom < wanted) s.zoom = Math.min(most_zoom(), wanted);
    paint(); look_at(...centre(box_corners(box)));
    for (const part of [room, tools]) part.scrollIntoView({ block: "nearest" });
  }

  // Grips 0 to 3 are corners; 4 to 7 are the edges from each corner to the next, which move both; 8 is the whole.
  const can_move = x => has_kinds && !x.fixed;
  function handles(x) {
    const box = box_of(x.corners), small = 70 * per_px(), [cx, cy] = centre(box_corners(box));
    if (!has_kinds || Math.min(box.right - box.left, box.bottom - box.top) > small) return grips(x.corners);
    if (Math.max(box.right - box.left, box.bottom - box.top) < 14 * per_px()) return [];  // too small to see
    // Round a small mark only the corners have grips, and these stand off it, each within reach of a finger.
    const away = 24 * per_px();
    return x.corners.map(([px, py]) => [px + away * Math.sign(px - cx), py + away * Math.sign(py - cy)]);
  }
  function shift(x, grip, dx, dy) {
    if (grip === 8) {
      const box = box_of(x.corners);
      dx = Math.min(W - box.right, Math.max(-box.left, dx)); dy = Math.min(H - box.bottom, Math.max(-box.top, dy));
      x.corners = x.corners.map(([px, py]) => [px + dx, py + dy]);
      return;
    }
    const which = grip < 4 ? [grip] : [grip - 4, (grip - 3) % 4];
    for (const k of which) x.corners[k] = [x.corners[k][0] + dx, x.corners[k][1] + dy];
    x.corners = clamped(x.corners);
  }
  const clamped = corners => corners.map(([x, y]) => [Math.min(W, Math.max(0, x)), Math.min(H, Math.max(0, y))]);

  function grip_under({ dataset }) {
    const x = shape(s.picked);
    return x && dataset?.key === x.key && can_move(x) && !s.placing ? 8 : dataset?.grip;
  }
  // What is dragged is drawn anew at every step, and a browser that lost sight of it would scroll instead.
  lines.ontouchstart = e => { if (grip_under(e.target) !== undefined) e.preventDefault(); };
  lines.onpointerdown = e => {
    const x = shape(s.picked), grip = grip_under(e.target);
    if (grip === undefined || e.button !== 0) return;
    e.preventDefault(); remember();
    const k = Number(grip); let at = [e.clientX, e.clientY], moved = false;
    (root.querySelector(`.grip[data-grip="${k}"]`) ?? e.target).focus({ preventScroll: true });
    lines.setPointerCapture(e.pointerId);
    lines.onpointermove = ev => {
      const scale = per_px(); shift(x, k, (ev.clientX - at[0]) * scale, (ev.clientY - at[1]) * scale);
      at = [ev.clientX, ev.clientY]; moved = true; paint(); show_glass(...(k === 8 ? centre(x.corners) : grips(x.corners)[k]));
    };
    lines.onpointerup = lines.onpointercancel = ev => {
      lines.onpointermove = lines.onpointerup = lines.onpointercancel = null; glass.style.display = "none";
      if (ev.type === "pointercancel" || !moved) { s.shapes = s.past.pop(); paint(); } else done(`${named(x)} moved`);
    };
  };
  lines.onclick = e => {
    const key = e.target.dataset?.key;
    if (s.placing) {
      const frame = lines.getBoundingClientRect(), k = W / frame.width, half = Math.min(30 * k, data.new_px);
      add_shape((e.clientX - frame.left) * k, (e.clientY - frame.top) * k, half, half);
    } else if (key) pick(key);
  };
  lines.onkeydown = e => {
    const { key, grip } = e.target.dataset ?? {};
    const step = (e.shiftKey ? 10 : 1) * Math.max(1, per_px());
    const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
    if (grip !== undefined && way) { remember(); shift(shape(s.picked), Number(grip), ...way); done(); }
    else if (way && key && key === s.picked && can_move(shape(key))) { remember(); shift(shape(key), 8, ...way); done(); }
    else if (key && (e.key === "Enter" || e.key === " ")) pick(key);
    else if (s.picked && e.key === "Delete") remove(shape(s.picked));
    else if ((s.picked || s.placing) && e.key === "Escape") { s.picked = null; s.merging = s.placing = false; paint(); }
    else return;
    e.preventDefault(); e.stopPropagation();
  };
  tools.onkeydown = list.onkeydown = e => { if (!e.ctrlKey && !e.metaKey && e.key.length === 1) e.stopPropagation(); };
  const watcher = new ResizeObserver(() => paint());
  watcher.observe(room);
  paint();
  return () => watcher.disconnect();
}

function copy(x) { return { ...x, corners: x.corners.map(c => [...c]) }; }
function mid(a, b) { return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]; }
function centre(corners) { return mid(mid(corners[0], corners[2]), mid(corners[1], corners[3])); }
function box_of(corners) { const xs = corners.map(c => c[0]), ys = corners.map(c => c[1]); return { left: Math.min(...xs), top: Math.min(...ys), right: Math.max(...xs), bottom: Math.max(...ys) }; }
function box_corners({ left, top, right, bottom }) { return [[left, top], [right, top], [right, bottom], [left, bottom]]; }
function grips(corners) { return [...corners, ...corners.map((c, k) => mid(c, corners[(k + 1) % 4]))]; }
function node(tag, attributes) { const n = document.createElementNS(SVG, tag); for (const [k, v] of Object.entries(attributes)) n.setAttribute(k, v); return n; }
