// A table of entry cells: block paste, keyboard movement, blanks allowed, bad text kept and marked. All rules are Python's.
function render({ model, el }) {
  el.classList.add("doe-table");
  el.dataset.lmSuppressShortcuts = "true";
  const table = document.createElement("table");
  const head = table.createTHead();
  const body = table.createTBody();
  const live = document.createElement("div");
  live.className = "doe-table-said";
  live.setAttribute("role", "status");
  el.append(table, live);
  const rows = new Map(); // row key -> {tr, note, inputs: Map(column key -> control)}
  const waiting = {}; // typed and not yet sent
  let timer = null;

  const columns = () => model.get("columns");
  const keys = () => model.get("rows").map((r) => r.key);
  const entries = () => columns().filter((c) => c.kind !== "fixed").map((c) => c.key);

  function send() {
    clearTimeout(timer);
    timer = null;
    if (!Object.keys(waiting).length) return;
    const edits = [];
    for (const row of Object.keys(waiting)) for (const col of Object.keys(waiting[row])) edits.push([row, col, waiting[row][col]]);
    for (const row of Object.keys(waiting)) delete waiting[row];
    model.send({ do: "edit", edits });
  }
  function note(row, col, text, now) {
    (waiting[row] = waiting[row] || {})[col] = text;
    if (now) send();
    else if (!timer) timer = setTimeout(send, 300);
  }
  function control(row, col) {
    const held = rows.get(row);
    return held && held.inputs.get(col);
  }
  function move(row, col, down, across) {
    const r = keys(), c = entries();
    let i = r.indexOf(row) + down, j = c.indexOf(col) + across;
    while (i >= 0 && i < r.length && j >= 0 && j < c.length) {
      const to = control(r[i], c[j]);
      if (to && !to.disabled) {
        to.focus();
        if (to.select) to.select();
        return true;
      }
      i += down;
      j += across;
    }
    return false;
  }
  function made(row, column) {
    const key = column.key;
    let box;
    if (column.kind === "choice") {
      box = document.createElement("select");
      for (const [value, text] of column.choices) {
        const o = document.createElement("option");
        o.value = value;
        o.textContent = text;
        box.append(o);
      }
      box.addEventListener("change", () => note(row.key, key, box.value, true));
    } else if (column.kind === "check") {
      box = document.createElement("input");
      box.type = "checkbox";
      box.addEventListener("change", () => note(row.key, key, box.checked ? "yes" : "", true));
    } else {
      box = document.createElement("input");
      box.type = "text";
      box.autocomplete = "off";
      box.spellcheck = false;
      let before = "";
      box.addEventListener("focus", () => { before = box.value; });
      box.addEventListener("input", () => note(row.key, key, box.value, false));
      box.addEventListener("change", () => note(row.key, key, box.value, true));
      box.addEventListener("blur", send);
      box.addEventListener("paste", (e) => {
        const text = (e.clipboardData || window.clipboardData).getData("text");
        if (!/[\t\r\n]/.test(text.replace(/[\r\n]+$/, ""))) return; // one cell: as the browser does it
        e.preventDefault();
        send();
        model.send({ do: "paste", row: row.key, column: key, text });
      });
      box.addEventListener("keydown", (e) => {
        if (e.key === "Escape") {
          box.value = before;
          note(row.key, key, before, true);
        }
      });
    }
    box.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey) return;
      const text = box.type === "text";
      const at = text ? box.selectionStart : 0, to = text ? box.selectionEnd : 0;
      const whole = text && at === 0 && to === box.value.length;
      let moved = false;
      if (e.key === "Enter") {
        if (text) note(row.key, key, box.value, true);
        moved = move(row.key, key, e.shiftKey ? -1 : 1, 0) || text;
      } else if (text && e.key === "ArrowDown") moved = move(row.key, key, 1, 0);
      else if (text && e.key === "ArrowUp") moved = move(row.key, key, -1, 0);
      else if (text && e.key === "ArrowLeft" && !e.shiftKey && (whole || (at === 0 && to === 0))) moved = move(row.key, key, 0, -1);
      else if (text && e.key === "ArrowRight" && !e.shiftKey && (whole || (at === box.value.length && to === at))) moved = move(row.key, key, 0, 1);
      if (moved) e.preventDefault();
      e.stopPropagation();
    });
    box.dataset.row = row.key;
    box.dataset.column = key;
    box.style.width = column.kind === "check" ? "auto" : column.width || "7em";
    return box;
  }
  function drawHead() {
    head.replaceChildren();
    const tr = head.insertRow();
    const corner = document.createElement("th");
    corner.textContent = model.get("corner");
    corner.scope = "col";
    tr.append(corner);
    for (const c of columns()) {
      const th = document.createElement("th");
      th.scope = "col";
      th.textContent = c.label;
      if (c.help) th.title = c.help;
      tr.append(th);
    }
    if (model.get("growing")) tr.append(document.createElement("td"));
  }
  function drawRows(anew) {
    table.setAttribute("aria-label", model.get("label"));
    const wanted = keys();
    if (anew) {
      rows.clear();
      body.replaceChildren();
    }
    for (const [key, held] of [...rows]) {
      if (!wanted.includes(key)) {
        held.tr.remove();
        held.note.remove();
        rows.delete(key);
      }
    }
    for (const row of model.get("rows")) {
      let held = rows.get(row.key);
      if (!held) {
        const tr = document.createElement("tr");
        const th = document.createElement("th");
        th.scope = "row";
        tr.append(th);
        const inputs = new Map(), fixed = new Map();
        for (const c of columns()) {
          const td = tr.insertCell();
          if (c.kind === "fixed") {
            td.className = "fixed";
            fixed.set(c.key, td);
          } else {
            const box = made(row, c);
            inputs.set(c.key, box);
            td.append(box);
          }
        }
        if (model.get("growing")) {
          const off = document.createElement("button");
          off.type = "button";
          off.textContent = "×";
          off.className = "doe-remove";
          off.addEventListener("click", () => {
            send();
            model.send({ do: "remove", row: row.key });
          });
          tr.insertCell().append(off);
          held = { off };
        }
        const said = document.createElement("tr");
        said.className = "said";
        const place = said.insertCell();
        place.colSpan = columns().length + 2;
        held = { ...(held || {}), tr, th, note: said, place, inputs, fixed };
        rows.set(row.key, held);
        body.append(tr, said);
      }
      held.th.textContent = row.label;
      for (const c of columns()) {
        const box = held.inputs.get(c.key);
        if (box) box.setAttribute("aria-label", `${c.label}, ${row.name || row.label}`);
      }
      if (held.off) {
        held.off.setAttribute("aria-label", `remove ${row.name || row.label}`);
        held.off.style.visibility = row.blank ? "hidden" : "visible";
      }
    }
    drawCells();
  }
  function drawCells() {
    const cells = model.get("cells"), marks = model.get("marks"), locked = model.get("locked");
    for (const [key, held] of rows) {
      const own = cells[key] || {}, wrong = marks[key] || {};
      for (const [col, td] of held.fixed) td.textContent = own[col] || "";
      for (const [col, box] of held.inputs) {
        const text = own[col] || "";
        const typed = waiting[key] && col in waiting[key];
        if (!typed) {
          if (box.type === "checkbox") box.checked = text === "yes";
          else if (box.value !== text) box.value = text;
        }
        box.disabled = locked;
        const bad = wrong[col];
        if (bad) {
          box.setAttribute("aria-invalid", "true");
          box.title = bad;
        } else {
          box.removeAttribute("aria-invalid");
          box.removeAttribute("title");
        }
      }
      const sentences = Object.values(wrong);
      held.note.hidden = !sentences.length;
      held.place.textContent = "";
      for (const s of sentences) {
        const line = document.createElement("div");
        line.textContent = s;
        held.place.append(line);
      }
    }
    live.textContent = model.get("said");
    live.hidden = !model.get("said");
    el.dataset.version = String(Number(el.dataset.version || 0) + 1);
  }
  model.on("change:columns", () => { drawHead(); drawRows(true); });
  model.on("change:rows", () => drawRows(false));
  for (const name of ["cells", "marks", "locked", "said"]) model.on("change:" + name, drawCells);
  drawHead();
  drawRows(true);
  return send;
}
export default { render };
