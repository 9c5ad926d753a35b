// Wipe between two views of the same screen: drag on the picture, or use the slider below it.
export default function (component) {
  const { data, parentElement: root } = component;
  const find = (selector) => root.querySelector(selector);
  const [frame, below, above, seam, slider] = [".frame", ".below", ".above", ".seam", "input"].map(find);
  below.src = data.right;
  below.alt = data.right_alt;
  above.src = data.left;
  above.alt = data.left_alt;
  find(".tag.left").textContent = data.left_name;
  find(".tag.right").textContent = data.right_name;
  slider.setAttribute("aria-label", data.label);

  function show() {
    const share = Number(slider.value);
    above.style.clipPath = `inset(0 ${100 - share}% 0 0)`;
    seam.style.left = `${share}%`;
    slider.setAttribute("aria-valuetext", `${share} percent ${data.left_name}`);
  }
  function follow(event) {
    const box = frame.getBoundingClientRect();
    slider.value = ((event.clientX - box.left) / box.width) * 100;
    show();
  }
  let held = false;
  frame.onpointerdown = (event) => {
    held = true;
    frame.setPointerCapture(event.pointerId);
    follow(event);
  };
  frame.onpointermove = (event) => held && follow(event);
  frame.onpointerup = frame.onpointercancel = () => { held = false; };
  slider.oninput = show;
  show();
}
