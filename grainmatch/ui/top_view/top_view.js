// The large view of the top. Streamlit component v2, no build step, nothing fetched.
//
// Python -> here   data = { rev, seq, boards: {id: {label, length_mm, width_mm, pictures: {A, B}}},
//                           layout: [{id, side, turned, slide_mm, rip_mm: [upper, lower], locked}],
//                           seams: [{grade, words}], top_mm: [length, width] | null, units, step_mm }
// here -> Python   state "edit" = { rev, seq, steps: [{seq, layout}] }: whole layouts, all those not yet
//                  answered, because quick edits arrive as one message and each must be undoable.
// `layout` is taken over only when `rev` changes; `seams` are shown only while they belong to the last edit.
// The pictures come once, through the component face_pictures, so that an edit moves a few kilobytes.
const STATES = new WeakMap();
const STEPS_KEPT = 40;
const MARGIN = 34;
const GRADE_SIGN = { good: "=", fair: "≈", poor: "≠", waiting: "…" };
const DRAG_STARTS_PX = 6;

export default function ({ parentElement: root, data, setStateValue }) {
  let s = STATES.get(root);
  if (!s) { s = { rev: null, seq: 0, items: [], steps: [], picked: null, carried: null, nodes: new Map() }; STATES.set(root, s); }
  s.data = data;
  s.setStateValue = setStateValue;
  const stage = root.querySelector(".stage"), top = root.querySelector(".top");
  const tools = root.querySelector(".tools"), spares = root.querySelector(".spares");
  const spoken = root.querySelector(".spoken");
  if (s.rev !== data.rev) {
    s.rev = data.rev; s.seq = data.seq; s.steps = []; s.carried = null;
    s.items = data.layout.map(copy);
    if (!s.items.some(i => i.id === s.picked)) s.picked = null;
  }

  // --- what lies where -----------------------------------------------------------------------
  const board = id => s.data.boards[id];
  const at = id => s.items.findIndex(i => i.id === id);
  const item = id => s.items[at(id)];
  const width = i => Math.max(5, board(i.id).width_mm - i.rip_mm[0] - i.rip_mm[1]);
  const say = text => { spoken.textContent = ""; requestAnimationFrame(() => (spoken.textContent = text)); };
  const label = i => board(i.id).label;
  const pose = i => `face ${i.side} up${i.turned ? ", turned end for end" : ""}${i.locked ? ", locked" : ""}`;
  const length_words = mm => s.data.units === "in" ? inches(mm) : `${Math.round(mm)} mm`;

  function measure() {
    const left = Math.min(...s.items.map(i => i.slide_mm - board(i.id).length_mm / 2), s.data.top_mm ? -s.data.top_mm[0] / 2 : 0);
    const right = Math.max(...s.items.map(i => i.slide_mm + board(i.id).length_mm / 2), s.data.top_mm ? s.data.top_mm[0] / 2 : 0);
    const across = s.items.reduce((sum, i) => sum + width(i), 0) || 1;
    const room = root.querySelector(".whole").clientWidth || 800;
    s.upright = room < 640;
    // On a phone the top stands upright: boards are then wide enough for a finger.
    const scale = s.upright ? Math.min((room - 2 * MARGIN) / across, 720 / (right - left))
                            : Math.min((room - 2 * MARGIN) / (right - left), 900 / across);
    s.scale = scale; s.left = left; s.along = right - left; s.across = across;
  }
  // A box given along and across the boards, as a CSS box. Upright, the left end is at the bottom.
  function box(node, along, across, length, breadth) {
    const [x, y, w, h] = s.upright ? [across, s.along - along - length, breadth, length] : [along, across, length, breadth];
    node.style.left = `${x * s.scale + MARGIN}px`; node.style.top = `${y * s.scale + MARGIN}px`;
    node.style.width = `${w * s.scale}px`; node.style.height = `${h * s.scale}px`;
  }

  // --- drawing -------------------------------------------------------------------------------
  function board_node(id) {
    let n = s.nodes.get(id);
    if (n) return n;
    n = make("div", "board"); n.dataset.id = id; n.setAttribute("role", "option");
    const picture = make("img"); picture.draggable = false; picture.alt = "";
    n.append(picture, make("div", "missing"), make("span", "tag"), make("div", "grip"));
    n.querySelector(".grip").setAttribute("aria-hidden", "true");
    s.nodes.set(id, n);
    return n;
  }
  function draw_board(i, k, offset) {
    const n = board_node(i.id), b = board(i.id), w = width(i), img = n.querySelector("img");
    if (top.children[k] !== n) top.insertBefore(n, top.children[k] ?? null);
    if (!n.classList.contains("dragged")) box(n, i.slide_mm - b.length_mm / 2 - s.left, offset, b.length_mm, w);
    const url = picture_url(b.pictures[i.side]);
    if (url && img.src !== url) img.src = url;
    img.style.display = url ? "" : "none";
    n.querySelector(".missing").style.display = url ? "none" : "";
    n.querySelector(".missing").textContent = b.pictures[i.side] ? "" : "face not photographed";
    img.style.width = `${b.length_mm * s.scale}px`; img.style.height = `${b.width_mm * s.scale}px`;
    const shift = ((i.rip_mm[1] - i.rip_mm[0]) / 2) * s.scale;
    img.style.transform = `translate(-50%, -50%) ${s.upright ? `translateX(${shift}px) rotate(-90deg)` : `translateY(${shift}px)`} rotate(${i.turned ? 180 : 0}deg)`;
    const parts = [b.label, i.side, i.turned ? "↻" : "", i.locked ? "🔒" : ""].filter(Boolean);
    n.querySelector(".tag").replaceChildren(...parts.map(words => Object.assign(make("span"), { textContent: words })));
    n.classList.toggle("picked", s.picked === i.id);
    n.classList.toggle("carried", s.carried?.id === i.id);
    n.tabIndex = (s.picked ?? s.items[0].id) === i.id ? 0 : -1;
    n.setAttribute("aria-selected", String(s.picked === i.id));
    n.setAttribute("aria-posinset", k + 1); n.setAttribute("aria-setsize", s.items.length);
    n.setAttribute("aria-label", `${b.label}, place ${k + 1} of ${s.items.length}, ${pose(i)}`);
  }
  function draw_seams() {
    const fresh = s.data.seq === s.seq && s.data.seams.length === s.items.length - 1;
    let offset = 0;
    s.items.slice(0, -1).forEach((i, k) => {
      offset += width(i);
      const seam = fresh ? s.data.seams[k] : { grade: "waiting", words: "" };
      const n = make("div", `seam ${seam.grade}`), chip = make("span", "chip");
      chip.textContent = GRADE_SIGN[seam.grade];
      n.append(chip); top.append(n);
      box(n, 0, offset, s.along, 0);
      if (s.upright) n.style.width = "0"; else n.style.height = "0";
    });
  }
  function draw_cut() {
    if (!s.data.top_mm) return;
    const n = make("div", "cut"); top.append(n);
    const [length, breadth] = s.data.top_mm, tall = Math.min(breadth, s.across);
    box(n, -length / 2 - s.left, (s.across - tall) / 2, length, tall);
  }
  function draw_side(words, along, before) {
    const n = make("span", "side"); n.textContent = words; top.append(n);
    if (s.upright) { n.style.left = "8px"; n.style[along ? "top" : "bottom"] = `${MARGIN}px`; }
    else { n.style.top = "8px"; n.style[before ? "left" : "right"] = `${MARGIN}px`; }
  }
  function paint() {
    measure();
    top.className = `top ${s.upright ? "upright" : "flat"}`;
    for (const n of top.querySelectorAll(".seam, .cut, .side")) n.remove();
    for (const [id, n] of s.nodes) if (at(id) < 0) { n.remove(); s.nodes.delete(id); }
    const [w, h] = s.upright ? [s.across, s.along] : [s.along, s.across];
    top.style.width = `${w * s.scale + 2 * MARGIN}px`; top.style.height = `${h * s.scale + 2 * MARGIN}px`;
    let offset = 0;
    s.items.forEach((i, k) => { draw_board(i, k, offset); offset += width(i); });
    draw_seams(); draw_cut();
    draw_side("left end", false, true); draw_side("right end", true, false);
    paint_tools(); paint_spares();
  }
  function tool(words, name, act, { pressed, disabled, title } = {}) {
    const b = make("button"); b.type = "button"; b.textContent = words; b.dataset.act = name;
    if (pressed !== undefined) b.setAttribute("aria-pressed", String(pressed));
    if (title) b.title = title;
    b.disabled = Boolean(disabled); b.onclick = act;
    return b;
  }
  function stepper(words, name, value, change, disabled) {
    const both = make("span", "pair"), text = make("span");
    text.textContent = `${words} ${length_words(value)}`;
    const less = tool("−", `${name}-less`, () => change(-1), { disabled }), more = tool("+", `${name}-more`, () => change(1), { disabled });
    less.setAttribute("aria-label", `${words}: less`); more.setAttribute("aria-label", `${words}: more`);
    both.append(less, text, more);
    return both;
  }
  // Buttons are made anew only when they change: one replaced between press and release would lose the tap.
  function changed(what, state) {
    const now = JSON.stringify(state);
    if (s[what] === now) return false;
    s[what] = now; return true;
  }
  function paint_tools() {
    const i = s.picked === null ? null : item(s.picked);
    if (!changed("tools_shown", [i, i && at(i.id), s.items.length, s.data.units])) return;
    const focused = root.activeElement?.dataset?.act;
    if (!i) { const h = make("span", "hint"); h.textContent = "Tap a board to change it; drag it to move it."; tools.replaceChildren(h); return; }
    const k = at(i.id), who = make("span", "who"); who.textContent = `${label(i)}, ${pose(i)}`;
    tools.replaceChildren(who,
      tool("Flip", "flip", () => act(i.id, "flip"), { disabled: i.locked, title: "Other face up (F)" }),
      tool("Turn", "turn", () => act(i.id, "turn"), { disabled: i.locked, title: "End for end (T)" }),
      tool("Earlier", "earlier", () => shift_by(i.id, -1), { disabled: i.locked || k === 0 }),
      tool("Later", "later", () => shift_by(i.id, 1), { disabled: i.locked || k === s.items.length - 1 }),
      tool(i.locked ? "Locked" : "Lock", "lock", () => act(i.id, "lock"), { pressed: i.locked, title: "Keep it here when the rest is finished (L)" }),
      stepper("Slide", "slide", i.slide_mm, d => slide(i.id, d * 10), i.locked),
      stepper("Off upper edge", "upper", i.rip_mm[0], d => rip(i.id, 0, d), i.locked),
      stepper("Off lower edge", "lower", i.rip_mm[1], d => rip(i.id, 1, d), i.locked),
      tool("Take out", "out", () => take_out(i.id), { disabled: i.locked || s.items.length < 2, title: "Back to the rack" }));
    if (focused) tools.querySelector(`[data-act="${focused}"]:not(:disabled)`)?.focus();
  }
  function paint_spares() {
    const rest = Object.keys(s.data.boards).filter(id => at(id) < 0);
    if (!changed("spares_shown", [rest, s.picked, s.data.units, rest.map(id => Boolean(picture_url(board(id).pictures.A)))])) return;
    spares.replaceChildren();
    if (!rest.length) return;
    const words = make("span", "hint");
    words.textContent = s.picked === null ? "Not in the top. Tap one to add it:" : `Not in the top. Tap one to put it in place of ${label(item(s.picked))}:`;
    spares.append(words);
    for (const id of rest) {
      const b = make("button", "spare"), img = make("img"), text = make("span"); b.type = "button"; b.dataset.spare = id;
      const url = picture_url(board(id).pictures.A ?? board(id).pictures.B); if (url) img.src = url; img.alt = "";
      text.textContent = `${board(id).label} · ${length_words(board(id).width_mm)}`;
      b.append(img, text); b.onclick = () => bring_in(id); spares.append(b);
    }
  }

  // --- edits: each one ends in done() --------------------------------------------------------
  function done(words) {
    s.seq += 1;
    s.steps = [...s.steps.filter(step => step.seq > s.data.seq), { seq: s.seq, layout: s.items.map(copy) }].slice(-STEPS_KEPT);
    paint(); if (words) say(words);
    s.setStateValue("edit", { rev: s.rev, seq: s.seq, steps: s.steps });
  }
  function act(id, what) {
    const i = item(id);
    if (what === "lock") i.locked = !i.locked;
    else if (i.locked) { say(`${label(i)} is locked`); return; }
    else if (what === "flip") { i.side = i.side === "A" ? "B" : "A"; i.rip_mm.reverse(); }
    else { i.turned = !i.turned; i.rip_mm.reverse(); }
    done(`${label(i)}: ${pose(i)}`);
  }
  // Locked boards keep their places: the others move round them.
  function reorder(from, to) {
    if (from === to || s.items[from].locked) return false;
    const free = s.items.map((i, k) => [i, k]).filter(([i]) => !i.locked).map(([, k]) => k);
    const order = free.map(k => s.items[k]), a = free.indexOf(from);
    const found = to > from ? free.findIndex(k => k >= to) : free.findLastIndex(k => k <= to);
    const b = found >= 0 ? found : to > from ? free.length - 1 : 0;
    if (a === b) return false;
    order.splice(b, 0, ...order.splice(a, 1));
    free.forEach((k, n) => (s.items[k] = order[n]));
    return true;
  }
  function shift_by(id, step) { if (reorder(at(id), Math.max(0, Math.min(s.items.length - 1, at(id) + step)))) { done(`${label(item(id))} is now number ${at(id) + 1}`); } }
  function slide(id, mm) { const i = item(id); i.slide_mm = clamp(i.slide_mm + mm, -2000, 2000); done(`Slid to ${length_words(i.slide_mm)}`); }
  function rip(id, edge, step) {
    const i = item(id), most = board(id).width_mm - 20 - i.rip_mm[1 - edge];
    i.rip_mm[edge] = clamp(i.rip_mm[edge] + step * s.data.step_mm, 0, Math.max(0, most));
    done(`${length_words(i.rip_mm[edge])} off the ${edge ? "lower" : "upper"} edge`);
  }
  function take_out(id) { const words = `${label(item(id))} is back on the rack`; s.items.splice(at(id), 1); s.picked = null; done(words); }
  function bring_in(id) {
    const fresh = { id, side: board(id).pictures.A ? "A" : "B", turned: false, slide_mm: 0, rip_mm: [0, 0], locked: false };
    if (s.picked !== null && item(s.picked).locked) { say(`${label(item(s.picked))} is locked`); return; }
    if (s.picked === null) s.items.push(fresh); else s.items[at(s.picked)] = fresh;
    s.picked = id; done(`${board(id).label} is in the top`);
  }
  function pick(id) { s.picked = id; paint(); s.nodes.get(id)?.focus({ preventScroll: true }); }

  // --- pointer: across the boards to reorder, along them to slide. By touch only at the grip, so that a
  //     finger elsewhere scrolls the page.
  top.onpointerdown = e => {
    const n = e.target.closest(".board");
    if (e.button !== 0 || !n) return;
    const id = n.dataset.id, free = e.pointerType === "mouse" || e.target.closest(".grip");
    const start = { x: e.clientX, y: e.clientY }, before = s.items.map(copy), from = item(id).slide_mm;
    let way = null;
    const move = ev => {
      const dx = ev.clientX - start.x, dy = ev.clientY - start.y;
      if (!way) {
        if (!free || item(id).locked || Math.hypot(dx, dy) < DRAG_STARTS_PX) return;
        way = (Math.abs(dx) > Math.abs(dy)) === s.upright ? "across" : "along";
        n.setPointerCapture(ev.pointerId); n.classList.add("dragged");
      }
      if (way === "along") {
        const mm = (s.upright ? -dy : dx) / s.scale;
        item(id).slide_mm = clamp(Math.round(from + mm), -2000, 2000);
        box(n, item(id).slide_mm - board(id).length_mm / 2 - s.left, offset_of(id), board(id).length_mm, width(item(id)));
      } else drag_across(n, id, ev);
    };
    const end = ev => {
      n.removeEventListener("pointermove", move); n.removeEventListener("pointerup", end); n.removeEventListener("pointercancel", end);
      n.classList.remove("dragged");
      if (!way) { if (ev.type === "pointerup") pick(id); return; }
      s.picked = id;
      if (ev.type === "pointercancel") { s.items = before; paint(); return; }
      if (JSON.stringify(before) === JSON.stringify(s.items)) paint();
      else done(way === "along" ? `${label(item(id))} slid to ${length_words(item(id).slide_mm)}` : `${label(item(id))} is now number ${at(id) + 1}`);
    };
    n.addEventListener("pointermove", move); n.addEventListener("pointerup", end); n.addEventListener("pointercancel", end);
  };
  const offset_of = id => s.items.slice(0, at(id)).reduce((sum, i) => sum + width(i), 0);
  function drag_across(n, id, ev) {
    const frame = top.getBoundingClientRect(), w = width(item(id));
    const centre = ((s.upright ? ev.clientX - frame.left : ev.clientY - frame.top) - MARGIN) / s.scale;
    // The place whose centre, were the board there, lies nearest to where it is held.
    let k = 0, offset = 0, nearest = Infinity;
    s.items.filter(i => i.id !== id).concat([null]).forEach((other, place) => {
      const away = Math.abs(offset + w / 2 - centre);
      if (away < nearest) { nearest = away; k = place; }
      if (other) offset += width(other);
    });
    if (reorder(at(id), k)) paint();
    box(n, item(id).slide_mm - board(id).length_mm / 2 - s.left, centre - w / 2, board(id).length_mm, w);
  }

  // --- keyboard: arrows go from board to board; Space picks up and puts down; F, T, L --------
  top.onkeydown = e => {
    const n = e.target.closest(".board");
    if (!n || e.altKey || e.ctrlKey || e.metaKey) return;
    const id = n.dataset.id, k = at(id), i = s.items[k];
    const across = s.upright ? { ArrowLeft: -1, ArrowRight: 1 } : { ArrowUp: -1, ArrowDown: 1 };
    const along = s.upright ? { ArrowUp: 10, ArrowDown: -10 } : { ArrowLeft: -10, ArrowRight: 10 };
    let used = true;
    if (e.key === " " || e.key === "Enter") {
      if (s.carried) { const was = s.carried; s.carried = null; if (JSON.stringify(was.before) === JSON.stringify(s.items)) paint(); else done(`${label(i)} put down at number ${k + 1}`); }
      else if (i.locked) say(`${label(i)} is locked`);
      else { s.carried = { id, before: s.items.map(copy) }; pick(id); say(`${label(i)} picked up. Arrow keys move it, Space puts it down, Escape puts it back.`); }
    } else if (e.key === "Escape" && s.carried) { s.items = s.carried.before; s.carried = null; paint(); say("Put back"); }
    else if (e.key in across || e.key === "Home" || e.key === "End") {
      const to = e.key === "Home" ? 0 : e.key === "End" ? s.items.length - 1 : k + across[e.key];
      if (s.carried) { if (s.items[to] && reorder(k, to)) { paint(); say(`Number ${at(id) + 1} of ${s.items.length}`); } }
      else if (s.items[to]) { pick(s.items[to].id); }
    } else if (e.key in along && s.carried) { i.slide_mm = clamp(i.slide_mm + along[e.key], -2000, 2000); paint(); say(`Slid to ${length_words(i.slide_mm)}`); }
    else if (/^[fF]$/.test(e.key)) act(id, "flip");
    else if (/^[tT]$/.test(e.key)) act(id, "turn");
    else if (/^[lL]$/.test(e.key)) act(id, "lock");
    else used = false;
    if (used) { e.preventDefault(); e.stopPropagation(); s.nodes.get(id) && (s.picked === id) && s.nodes.get(id).focus({ preventScroll: true }); }
  };
  // Keys pressed in our buttons must not reach the page's own shortcuts either.
  tools.onkeydown = spares.onkeydown = e => { if (!e.ctrlKey && !e.metaKey && e.key.length === 1) e.stopPropagation(); };

  const pictures_came = () => paint();
  window.addEventListener("grainmatch-pictures", pictures_came);
  let seen_width = 0;
  const watcher = new ResizeObserver(() => { const w = root.querySelector(".whole").clientWidth; if (w && w !== seen_width) { seen_width = w; paint(); } });
  watcher.observe(root.querySelector(".whole"));
  paint();
  return () => { window.removeEventListener("grainmatch-pictures", pictures_came); watcher.disconnect(); };
}

function make(tag, name) { const n = document.createElement(tag); if (name) n.className = name; return n; }
function copy(i) { return { ...i, rip_mm: [...i.rip_mm] }; }
function clamp(v, low, high) { return Math.min(high, Math.max(low, v)); }
function picture_url(key) { return key ? globalThis.grainmatchPictures?.get(key) : undefined; }
function inches(mm) {
  const ticks = Math.floor(Math.abs(mm) / 25.4 * 16 + 0.5), sign = mm < 0 && ticks ? "-" : "";
  let whole = Math.floor(ticks / 16), top = ticks % 16, bottom = 16;
  while (top && top % 2 === 0) { top /= 2; bottom /= 2; }
  return `${sign}${whole || !top ? whole : ""}${whole && top ? " " : ""}${top ? `${top}/${bottom}` : ""}"`;
}
