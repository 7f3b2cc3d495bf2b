// A picture that can be zoomed and moved. Nothing is sent back.
const VIEWS = new WeakMap();
const CLOSEST = 12;

export default function ({ parentElement: root, data }) {
  const frame = root.querySelector(".frame"), picture = root.querySelector(".picture");
  const v = VIEWS.get(root) ?? { scale: 1, x: 0, y: 0, fingers: new Map() };
  VIEWS.set(root, v);
  if (picture.src !== data.url) picture.src = data.url;
  picture.alt = data.words;
  frame.setAttribute("aria-label", `${data.words}. Plus and minus zoom, arrows move.`);

  function put() {
    const w = frame.clientWidth, h = frame.clientHeight;
    v.x = Math.min(0, Math.max(w * (1 - v.scale), v.x)); v.y = Math.min(0, Math.max(h * (1 - v.scale), v.y));
    picture.style.transform = `translate(${v.x}px, ${v.y}px) scale(${v.scale})`;
  }
  function zoom(by, x, y) {
    const scale = by === 0 ? 1 : Math.min(CLOSEST, Math.max(1, v.scale * by)), ratio = scale / v.scale;
    v.x = x - (x - v.x) * ratio; v.y = y - (y - v.y) * ratio; v.scale = scale; put();
  }
  const place = e => { const r = frame.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  const middle = () => [frame.clientWidth / 2, frame.clientHeight / 2];
  frame.onwheel = e => { if (!e.ctrlKey && v.scale === 1 && e.deltaY > 0) return; e.preventDefault(); zoom(Math.exp(-e.deltaY / 400), ...place(e)); };
  frame.onpointerdown = e => { v.fingers.set(e.pointerId, place(e)); frame.setPointerCapture(e.pointerId); };
  frame.onpointermove = e => {
    const before = v.fingers.get(e.pointerId); if (!before) return;
    const now = place(e), other = [...v.fingers].find(([id]) => id !== e.pointerId)?.[1];
    if (other) {
      const apart = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]) || 1;
      zoom(apart(now, other) / apart(before, other), (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
    } else { v.x += now[0] - before[0]; v.y += now[1] - before[1]; put(); }
    v.fingers.set(e.pointerId, now);
  };
  frame.onpointerup = frame.onpointercancel = e => v.fingers.delete(e.pointerId);
  frame.onkeydown = e => {
    const moves = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
    if (e.key === "+" || e.key === "=") zoom(1.5, ...middle());
    else if (e.key === "-") zoom(1 / 1.5, ...middle());
    else if (e.key === "0") zoom(0, ...middle());
    else if (v.scale > 1 && e.key in moves) { v.x += moves[e.key][0]; v.y += moves[e.key][1]; put(); }
    else return;
    e.preventDefault(); e.stopPropagation();
  };
  root.querySelector(".buttons").onclick = e => { const b = e.target.closest("[data-zoom]"); if (b) zoom(Number(b.dataset.zoom), ...middle()); };
  put();
}
