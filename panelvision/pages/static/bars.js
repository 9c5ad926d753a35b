// Suspects as bars that move from where they were; the upright mark is where each stood before.
export default function (component) {
  const { data, parentElement: root } = component;
  const list = root.querySelector(".bars");
  list.setAttribute("aria-label", data.label);
  const shown = root.panelvision || (root.panelvision = {});
  list.replaceChildren(...data.rows.map((row) => {
    const item = document.createElement("li");
    const line = document.createElement("div");
    line.className = "line";
    const name = document.createElement("span");
    name.textContent = row.label;
    const share = document.createElement("span");
    share.className = "share";
    share.textContent = row.p < 0.01 ? "under 1 %" : row.p > 0.99 ? "over 99 %"
      : `${Math.round(row.p * 100)} %`;
    const moved = row.before === null ? 0 : Math.round((row.p - row.before) * 100);
    if (moved !== 0) {
      const change = document.createElement("span");
      change.className = "change";
      change.textContent = moved > 0 ? `\u25B2 ${moved}` : `\u25BC ${-moved}`;
      change.setAttribute("aria-label", moved > 0 ? `up ${moved} points` : `down ${-moved} points`);
      share.append(change);
    }
    line.append(name, share);
    const track = document.createElement("div");
    track.className = "track";
    track.setAttribute("aria-hidden", "true");
    const fill = document.createElement("div");
    fill.className = "fill";
    const from = shown[row.name] ?? row.p;
    fill.style.width = `${from * 100}%`;
    requestAnimationFrame(() => requestAnimationFrame(() => { fill.style.width = `${row.p * 100}%`; }));
    shown[row.name] = row.p;
    track.append(fill);
    if (row.before !== null && moved !== 0) {
      const mark = document.createElement("div");
      mark.className = "before";
      mark.style.left = `${row.before * 100}%`;
      track.append(mark);
    }
    item.append(line, track);
    return item;
  }));
}
