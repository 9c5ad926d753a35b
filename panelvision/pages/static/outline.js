// Four corners on a photo: drag them, tap near one, or focus one and use the arrow keys.
const NS = "http://www.w3.org/2000/svg";
const NAMES = ["top left", "top right", "bottom right", "bottom left"];

function node(name, attributes) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function convex(points) {
  // Clockwise from the top left in a frame whose y axis points down: every turn is positive.
  return points.every((b, i) => {
    const a = points[(i + 3) % 4];
    const c = points[(i + 1) % 4];
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]) > 0;
  });
}

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const root = parentElement;
  const find = (selector) => root.querySelector(selector);
  const [frame, image, svg, loupe] = [".frame", "img", "svg", ".loupe"].map(find);
  const [use, reset, hint] = [".use", ".reset", ".hint"].map(find);
  const same = root.panelvision && root.panelvision.id === data.id;
  const state = same ? root.panelvision : { id: data.id, points: data.corners.map((p) => [...p]), moved: false };
  root.panelvision = state;
  state.chosen = state.chosen ?? -1;

  image.src = data.image;
  image.alt = data.alt;
  hint.textContent = data.hint;
  use.textContent = data.use;
  reset.textContent = data.reset;
  svg.setAttribute("viewBox", `0 0 ${data.width} ${data.height}`);
  svg.replaceChildren();
  const dim = svg.appendChild(node("path", { class: "dim" }));
  const under = svg.appendChild(node("polygon", { class: "under" }));
  const edge = svg.appendChild(node("polygon", { class: "edge" }));
  const handles = NAMES.map((name, i) => {
    const group = svg.appendChild(node("g", {
      class: "corner", tabindex: 0, role: "slider", "aria-label": `${name} corner`, "data-corner": i,
    }));
    for (const part of ["hit", "ring", "dot"]) group.appendChild(node("ellipse", { class: part }));
    return group;
  });

  const clamp = (point) => [
    Math.min(data.width * 1.15, Math.max(-data.width * 0.15, point[0])),
    Math.min(data.height * 1.15, Math.max(-data.height * 0.15, point[1])),
  ];

  function draw() {
    const box = frame.getBoundingClientRect();
    const unit = data.width / Math.max(1, box.width); // photo pixels per screen pixel
    const text = state.points.map((p) => p.join(",")).join(" ");
    under.setAttribute("points", text);
    edge.setAttribute("points", text);
    dim.setAttribute("d", `M0 0H${data.width}V${data.height}H0Z M${state.points.map((p) => p.join(" ")).join("L")}Z`);
    handles.forEach((group, i) => {
      // A corner outside the frame keeps its handle at the border, where a thumb can reach it.
      const margin = 14 * unit;
      const x = Math.min(data.width - margin, Math.max(margin, state.points[i][0]));
      const y = Math.min(data.height - margin, Math.max(margin, state.points[i][1]));
      const radii = { hit: 26, ring: 13, dot: 3 };
      for (const child of group.children) {
        const r = radii[child.getAttribute("class")] * unit;
        child.setAttribute("cx", x);
        child.setAttribute("cy", y);
        child.setAttribute("rx", r);
        child.setAttribute("ry", r);
      }
      group.classList.toggle("chosen", state.chosen === i);
      const [px, py] = state.points[i].map(Math.round);
      group.setAttribute("aria-valuetext", `${px} across, ${py} down`);
      group.setAttribute("aria-valuenow", px);
    });
    use.disabled = !convex(state.points) || !(state.moved || data.unsure);
    reset.disabled = !state.moved;
  }

  function magnify(point) {
    const box = frame.getBoundingClientRect();
    const zoom = 3;
    const [x, y] = [(point[0] / data.width) * box.width, (point[1] / data.height) * box.height];
    loupe.style.display = "block";
    loupe.style.left = x < box.width / 2 ? "auto" : "8px";
    loupe.style.right = x < box.width / 2 ? "8px" : "auto";
    loupe.style.backgroundImage = `url("${data.image}")`;
    loupe.style.backgroundSize = `${box.width * zoom}px ${box.height * zoom}px`;
    loupe.style.backgroundPosition = `${61 - x * zoom}px ${61 - y * zoom}px`;
  }

  function where(event) {
    const box = frame.getBoundingClientRect();
    return [
      ((event.clientX - box.left) / box.width) * data.width,
      ((event.clientY - box.top) / box.height) * data.height,
    ];
  }

  function set(i, point) {
    state.points[i] = clamp(point);
    state.moved = true;
    state.chosen = i;
    draw();
  }

  handles.forEach((group, i) => {
    let grip = null;
    group.onpointerdown = (event) => {
      event.preventDefault();
      event.stopPropagation();
      group.setPointerCapture(event.pointerId);
      const at = where(event);
      grip = [state.points[i][0] - at[0], state.points[i][1] - at[1]];
      state.chosen = i;
      magnify(state.points[i]);
      draw();
    };
    group.onpointermove = (event) => {
      if (!grip) return;
      const at = where(event);
      set(i, [at[0] + grip[0], at[1] + grip[1]]);
      magnify(state.points[i]);
    };
    group.onpointerup = group.onpointercancel = () => {
      grip = null;
      loupe.style.display = "none";
    };
    group.onfocus = () => {
      state.chosen = i;
      draw();
    };
    group.onkeydown = (event) => {
      const step = (event.shiftKey ? 10 : 1) * (data.width / Math.max(1, frame.clientWidth));
      const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const move = moves[event.key];
      if (!move) return;
      event.preventDefault();
      set(i, [state.points[i][0] + move[0] * step, state.points[i][1] + move[1] * step]);
    };
  });

  // A tap on the photo brings the nearest corner there; a scroll gesture does not.
  let down = null;
  svg.onpointerdown = (event) => {
    down = [event.clientX, event.clientY];
  };
  svg.onpointerup = (event) => {
    if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 8) return;
    down = null;
    const at = where(event);
    const gaps = state.points.map((p) => Math.hypot(p[0] - at[0], p[1] - at[1]));
    set(gaps.indexOf(Math.min(...gaps)), at);
  };

  use.onclick = () => setTriggerValue("corners", state.points.map((p) => [p[0], p[1]]));
  reset.onclick = () => {
    state.points = data.corners.map((p) => [...p]);
    state.moved = false;
    draw();
  };

  const watcher = new ResizeObserver(draw);
  watcher.observe(frame);
  draw();
  return () => watcher.disconnect();
}
