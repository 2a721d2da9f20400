// A button that asks the kernel for a file and hands it to the browser.
function render({ model, el }) {
  el.classList.add("doe-saving");
  const button = document.createElement("button");
  button.type = "button";
  button.className = "doe-button";
  el.append(button);
  function draw() {
    button.textContent = model.get("label");
    button.disabled = model.get("disabled");
    button.title = model.get("help");
  }
  button.addEventListener("click", () => model.send({ do: "file" }));
  function received(message, buffers) {
    if (!message || message.file === undefined) return;
    const url = URL.createObjectURL(new Blob([buffers[0]], { type: message.type }));
    const a = document.createElement("a");
    a.href = url;
    a.download = message.file;
    document.body.append(a);
    a.click();
    a.remove();
    setTimeout(() => URL.revokeObjectURL(url), 60000);
  }
  model.on("msg:custom", received);
  for (const key of ["label", "disabled", "help"]) model.on("change:" + key, draw);
  draw();
  return () => model.off("msg:custom", received);
}
export default { render };
