// A map of one number over two factors: one continuous colour scale, lines of equal value, hatched where the trial was not.
function render({ model, el }) {
  el.classList.add("doe-map");
  const canvas = document.createElement("canvas");
  canvas.setAttribute("role", "img");
  el.append(canvas);
  const ctx = canvas.getContext("2d");
  let drawn = 0;

  const floats = (name) => {
    const v = model.get(name);
    return new Float32Array(v.buffer.slice(v.byteOffset, v.byteOffset + v.byteLength));
  };
  const octets = (name) => {
    const v = model.get(name);
    return new Uint8Array(v.buffer, v.byteOffset, v.byteLength);
  };
  function css(name, other) {
    return getComputedStyle(el).getPropertyValue(name).trim() || other;
  }
  function short(v) {
    return String(Number(v.toPrecision(5))).replace("-", "−");
  }
  function nice(low, high, most) {
    const span = high - low, raw = span / most, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => span / s <= most);
    const out = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * span; k++) out.push(k * step);
    return out;
  }
  function places(axis, blocky, size, flip) {
    // for every pixel: the grid line below it and how far it is toward the next
    const n = axis.length, low = axis[0], high = axis[n - 1];
    const at = new Int32Array(size), part = new Float32Array(size);
    let i = 0;
    for (let p = 0; p < size; p++) {
      const v = low + ((high - low) * (p + 0.5)) / size;
      while (i < n - 2 && axis[i + 1] <= v) i++;
      let w = (v - axis[i]) / (axis[i + 1] - axis[i]);
      if (blocky) w = w < 0.5 ? 0 : 1;
      const q = flip ? size - 1 - p : p;
      at[q] = i;
      part[q] = w;
    }
    return [at, part];
  }
  function draw() {
    const z = floats("values"), out = octets("outside"), lut = octets("colours");
    const xs = model.get("xs"), ys = model.get("ys");
    const nx = xs.length, ny = ys.length;
    const small = model.get("small");
    const W = small ? 250 : 560, H = small ? 225 : 440;
    const ratio = window.devicePixelRatio || 1;
    canvas.width = Math.round(W * ratio);
    canvas.height = Math.round(H * ratio);
    canvas.style.width = W + "px";
    canvas.style.height = H + "px";
    canvas.setAttribute("aria-label", model.get("alt"));
    const ink = css("--jp-ui-font-color1", "#222"), soft = css("--jp-ui-font-color2", "#666");
    const font = css("--jp-ui-font-family", "sans-serif");
    const size = small ? 11 : 12.5;
    const M = small ? { l: 44, r: 8, t: 34, b: 36 } : { l: 62, r: 92, t: 14, b: 48 };
    const w = W - M.l - M.r, h = H - M.t - M.b;
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, W, H);
    ctx.font = `${size}px ${font}`;
    ctx.textBaseline = "middle";
    if (nx < 2 || ny < 2 || z.length !== nx * ny) {
      ctx.fillStyle = soft;
      ctx.fillText(model.get("title"), 10, H / 2);
      return;
    }
    const pw = Math.round(w * ratio), ph = Math.round(h * ratio);
    const image = ctx.createImageData(pw, ph), data = image.data;
    const low = model.get("low"), scale = 255 / (model.get("high") - low);
    const [xi, xw] = places(xs, model.get("blocky_x"), pw, false);
    const [yi, yw] = places(ys, model.get("blocky_y"), ph, true);
    for (let r = 0, o = 0; r < ph; r++) {
      const below = yi[r] * nx, above = below + nx, v = yw[r];
      for (let c = 0; c < pw; c++, o += 4) {
        const i = xi[c], u = xw[c];
        const near = (v < 0.5 ? below : above) + (u < 0.5 ? i : i + 1);
        if (out[near] || !(z[near] === z[near])) {
          // hatched: no batch may lie here
          if ((r + c) % Math.round(7 * ratio) < ratio) {
            data[o] = data[o + 1] = data[o + 2] = 150;
            data[o + 3] = 150;
          }
          continue;
        }
        let t = (1 - v) * ((1 - u) * z[below + i] + u * z[below + i + 1]) + v * ((1 - u) * z[above + i] + u * z[above + i + 1]);
        if (!(t === t)) t = z[near];
        let k = Math.round((t - low) * scale);
        k = (k < 0 ? 0 : k > 255 ? 255 : k) * 3;
        data[o] = lut[k];
        data[o + 1] = lut[k + 1];
        data[o + 2] = lut[k + 2];
        data[o + 3] = 255;
      }
    }
    ctx.putImageData(image, Math.round(M.l * ratio), Math.round(M.t * ratio));
    const X = (x) => M.l + (w * (x - xs[0])) / (xs[nx - 1] - xs[0]);
    const Y = (y) => M.t + h - (h * (y - ys[0])) / (ys[ny - 1] - ys[0]);
    ctx.save();
    ctx.beginPath();
    ctx.rect(M.l, M.t, w, h);
    ctx.clip();
    const labels = []; // places taken by the figures of lines; the heavy lines choose first
    for (const heavy of [true, false])
      for (const [level, text, own] of model.get("lines")) if (own === heavy) line(level, text, heavy);
    const box = model.get("box");
    if (box.length === 4) {
      for (const [colour, dash] of [["rgba(255,255,255,.9)", []], ["#222", [5, 4]]]) {
        ctx.setLineDash(dash);
        ctx.lineWidth = dash.length ? 1.4 : 2.6;
        ctx.strokeStyle = colour;
        ctx.strokeRect(X(box[0]), Y(box[3]), X(box[1]) - X(box[0]), Y(box[2]) - Y(box[3]));
      }
      ctx.setLineDash([]);
    }
    for (const [x, y] of model.get("marks")) {
      for (const [colour, wide] of [["rgba(255,255,255,.9)", 3], ["#555", 1.2]]) {
        ctx.beginPath();
        ctx.arc(X(x), Y(y), small ? 2.2 : 3.4, 0, 7);
        ctx.strokeStyle = colour;
        ctx.lineWidth = wide;
        ctx.stroke();
      }
    }
    const point = model.get("point");
    if (point.length === 2) {
      const d = small ? 5 : 7, px = X(point[0]), py = Y(point[1]);
      ctx.beginPath();
      ctx.moveTo(px, py - d);
      ctx.lineTo(px + d, py);
      ctx.lineTo(px, py + d);
      ctx.lineTo(px - d, py);
      ctx.closePath();
      ctx.fillStyle = "#fff";
      ctx.fill();
      ctx.strokeStyle = "#111";
      ctx.lineWidth = 1.6;
      ctx.stroke();
    }
    ctx.restore();
    function line(level, text, heavy) {
      ctx.beginPath();
      const along = [];
      for (let j = 0; j < ny - 1; j++) {
        for (let i = 0; i < nx - 1; i++) {
          const k = j * nx + i;
          const a = z[k], b = z[k + 1], c = z[k + nx + 1], d = z[k + nx];
          // most cells are not crossed: they are passed over before anything is made for them
          const under = (a < level) + (b < level) + (c < level) + (d < level);
          if (under === 0 || under === 4 || !(a + b + c + d === a + b + c + d)) continue;
          const v = [a, b, c, d];
          if (out[k] || out[k + 1] || out[k + nx] || out[k + nx + 1]) continue;
          const corners = [[xs[i], ys[j]], [xs[i + 1], ys[j]], [xs[i + 1], ys[j + 1]], [xs[i], ys[j + 1]]];
          const cut = [];
          for (let e = 0; e < 4; e++) {
            const a = v[e], b = v[(e + 1) % 4];
            if (a < level !== b < level) {
              const s = (level - a) / (b - a), p = corners[e], q = corners[(e + 1) % 4];
              cut.push([X(p[0] + s * (q[0] - p[0])), Y(p[1] + s * (q[1] - p[1]))]);
            }
          }
          for (let c = 0; c + 1 < cut.length; c += 2) {
            ctx.moveTo(...cut[c]);
            ctx.lineTo(...cut[c + 1]);
            const [x, y] = cut[c];
            const inner = Math.min(x - M.l, M.l + w - x, y - M.t, M.t + h - y);
            if (inner > 16) along.push(cut[c]);
          }
        }
      }
      ctx.strokeStyle = "rgba(255,255,255,.55)";
      ctx.lineWidth = heavy ? 3.6 : 2;
      ctx.stroke();
      ctx.strokeStyle = "#222";
      ctx.lineWidth = heavy ? 2 : 0.9;
      ctx.stroke();
      if (!text || small) return;
      const wide = ctx.measureText(text).width + 6;
      along.sort((a, b) => b[0] - a[0]);
      for (const [px, py] of along) {
        const x = Math.max(M.l + 2, Math.min(px - wide / 2, M.l + w - wide - 2)), y = py - 8;
        if (labels.some((l) => x < l[0] + l[2] + 4 && l[0] < x + wide + 4 && y < l[1] + 20 && l[1] < y + 20)) continue;
        labels.push([x, y, wide]);
        ctx.fillStyle = "rgba(255,255,255,.88)";
        ctx.fillRect(x, y, wide, 16);
        ctx.fillStyle = "#222";
        ctx.textAlign = "left";
        ctx.fillText(text, x + 3, py);
        break;
      }
    }
    ctx.strokeStyle = soft;
    ctx.lineWidth = 1;
    ctx.strokeRect(M.l, M.t, w, h);
    ctx.fillStyle = ink;
    ctx.textAlign = "center";
    for (const x of model.get("blocky_x") ? xs : nice(xs[0], xs[nx - 1], small ? 4 : 7)) {
      ctx.fillText(short(x), X(x), M.t + h + 11);
      ctx.fillRect(X(x) - 0.5, M.t + h, 1, 4);
    }
    ctx.textAlign = "right";
    for (const y of model.get("blocky_y") ? ys : nice(ys[0], ys[ny - 1], small ? 4 : 7)) {
      ctx.fillText(short(y), M.l - 7, Y(y));
      ctx.fillRect(M.l - 4, Y(y) - 0.5, 4, 1);
    }
    ctx.textAlign = "center";
    ctx.fillText(fit(model.get("xlabel"), w), M.l + w / 2, H - (small ? 9 : 13));
    ctx.save();
    ctx.translate(small ? 8 : 13, M.t + h / 2);
    ctx.rotate(-Math.PI / 2);
    ctx.fillText(fit(model.get("ylabel"), h), 0, 0);
    ctx.restore();
    if (small) {
      ctx.textAlign = "left";
      ctx.fillStyle = ink;
      ctx.fillText(fit(model.get("title"), W - 8), 4, 9);
      ctx.fillStyle = soft;
      ctx.fillText(fit(model.get("second"), W - 8), 4, 24);
    } else {
      const bx = M.l + w + 16;
      for (let p = 0; p < h; p++) {
        const k = Math.round((255 * (h - 1 - p)) / (h - 1)) * 3;
        ctx.fillStyle = `rgb(${lut[k]},${lut[k + 1]},${lut[k + 2]})`;
        ctx.fillRect(bx, M.t + p, 12, 1.5);
      }
      ctx.fillStyle = ink;
      ctx.textAlign = "left";
      for (const [v, text] of model.get("ticks")) {
        ctx.fillText(text, bx + 17, M.t + h - (h * (v - low)) / (model.get("high") - low));
      }
      ctx.save();
      ctx.translate(W - 9, M.t + h / 2);
      ctx.rotate(-Math.PI / 2);
      ctx.textAlign = "center";
      ctx.fillStyle = soft;
      ctx.fillText(fit(model.get("title"), h), 0, 0);
      ctx.restore();
    }
    drawn += 1;
    canvas.dataset.drawn = String(drawn);
    canvas.dataset.grid = `${nx} × ${ny}`;
    canvas.dataset.stamp = String(model.get("stamp"));
  }
  function fit(text, room) {
    if (ctx.measureText(text).width <= room) return text;
    while (text.length > 1 && ctx.measureText(text + "…").width > room) text = text.slice(0, -1);
    return text + "…";
  }
  let asked = false;
  function soon() {
    // several traits come in one message: one drawing
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      draw();
    });
  }
  model.on("change", soon);
  const watch = new MutationObserver(soon); // the theme changed
  watch.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-name", "data-jp-theme-light", "class"] });
  draw();
  requestAnimationFrame(soon); // colours of the theme are known once the map stands in the page
  return () => {
    model.off("change", soon);
    watch.disconnect();
  };
}
export default { render };
