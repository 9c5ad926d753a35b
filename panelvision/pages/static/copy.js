// A text and a button that copies it, also where the page came without encryption.
export default function (component) {
  const { data, parentElement: root } = component;
  const text = root.querySelector("textarea");
  const button = root.querySelector("button");
  text.value = data.text;
  text.setAttribute("aria-label", data.label);
  button.textContent = data.button;
  button.onclick = async () => {
    try {
      await navigator.clipboard.writeText(text.value);
    } catch {
      // Outside HTTPS browsers only copy what is selected.
      text.select();
      document.execCommand("copy");
    }
    button.textContent = data.done;
    setTimeout(() => { button.textContent = data.button; }, 2500);
  };
}
