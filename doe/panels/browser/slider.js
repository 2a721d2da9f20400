// A slider with a name, its value in words beside it, and the browser's own keyboard.
function render({ model, el }) {
  el.classList.add("doe-slider");
  el.dataset.lmSuppressShortcuts = "true";
  const label = document.createElement("label");
  const name = document.createElement("span");
  name.className = "name";
  const range = document.createElement("input");
  range.type = "range";
  const said = document.createElement("output");
  label.append(name, range, said);
  el.append(label);
  let moving = false;
  function text(value) {
    return `${Number(value.toPrecision(6))}${model.get("unit") ? " " + model.get("unit") : ""}`;
  }
  function draw() {
    name.textContent = model.get("label");
    range.min = model.get("low");
    range.max = model.get("high");
    range.step = model.get("step") || "any";
    range.setAttribute("aria-label", model.get("label"));
    if (!moving) range.value = model.get("value");
    const shown = moving ? Number(range.value) : model.get("value");
    said.textContent = text(shown);
    range.setAttribute("aria-valuetext", text(shown));
  }
  range.addEventListener("input", () => {
    moving = true;
    model.set("resting", false);
    model.set("value", Number(range.value));
    model.save_changes();
    said.textContent = text(Number(range.value));
  });
  range.addEventListener("change", () => {
    moving = false;
    model.set("value", Number(range.value));
    model.set("resting", true);
    model.save_changes();
  });
  for (const key of ["label", "low", "high", "step", "unit", "value"]) model.on("change:" + key, draw);
  draw();
}
export default { render };
