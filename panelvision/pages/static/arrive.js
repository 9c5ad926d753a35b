// Brings what follows to the top of the screen when its turn has come, and leaves it alone otherwise.
let last = null;
export default function (component) {
  const { data, parentElement: root } = component;
  const before = last;
  last = data.turn;
  if (before === null || before === data.turn) return;
  // The parts after this one are drawn in the same go; a moment later they have their height.
  setTimeout(() => root.querySelector(".here").scrollIntoView({ block: "start" }), 150);
}
