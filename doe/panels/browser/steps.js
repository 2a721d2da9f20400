// The steps of the job as buttons; the one shown is told to those who hear the page, not only by its looks.
function render({ model, el }) {
  const nav = document.createElement("nav");
  nav.className = "doe-steps";
  nav.setAttribute("aria-label", "steps");
  el.append(nav);
  const buttons = new Map();
  function draw() {
    for (const step of model.get("steps")) {
      let one = buttons.get(step.key);
      if (!one) {
        one = document.createElement("button");
        one.type = "button";
        one.title = step.help;
        one.addEventListener("click", () => model.send({ do: "step", key: step.key }));
        buttons.set(step.key, one);
        nav.append(one);
      }
      const here = step.key === model.get("here");
      one.textContent = step.label;
      one.className = here ? "doe-button doe-here" : "doe-button";
      if (here) one.setAttribute("aria-current", "step");
      else one.removeAttribute("aria-current");
    }
  }
  for (const key of ["steps", "here"]) model.on("change:" + key, draw);
  draw();
}
export default { render };
