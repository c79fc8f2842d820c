// Everything here adds to pages that work without it: sliders, read-outs, dropping a file.
document.documentElement.classList.add("scripted");

const all = (query, root = document) => [...root.querySelectorAll(query)];

// A button that starts long work says so, once.
for (const form of all("form")) {
  form.addEventListener("submit", () => {
    const button = form.querySelector("button[data-busy]");
    if (button) {
      button.textContent = button.dataset.busy;
      form.setAttribute("aria-busy", "true");
    }
  });
}
// Coming back by the history shows the page as it was left.
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

// What if: a slider beside each number, and the answer follows. One request is under way at a
// time; the newest wins; when the hand rests, the answer comes with all draws.
const live = document.querySelector("[data-live]");
if (live) {
  const form = live.querySelector("form");
  const summary = live.querySelector('[data-part="summary"]');
  const figure = live.querySelector('[data-part="picture"] figure');
  const pictures = all(".picture", figure);
  let busy = false, wanted = null, rest = 0, serial = 0;

  const shown = () => pictures.find((p) => p.offsetParent !== null) ?? pictures[0];
  const question = () => {
    const data = new URLSearchParams();
    for (const [name, value] of new FormData(form)) if (value !== "") data.append(name, value);
    return data;
  };

  const ask = async (still) => {
    wanted = { still };
    if (busy) return;
    busy = true;
    while (wanted) {
      const { still } = wanted;
      wanted = null;
      const data = question();
      data.set("width", String(Math.round(shown().clientWidth)));
      if (still) data.set("still", "1");
      const mine = ++serial;
      try {
        const response = await fetch(live.dataset.live + "?" + data, { credentials: "same-origin" });
        if (!response.ok) throw new Error(String(response.status));
        take(await response.text(), still);
        live.dataset.drawn = String(mine);
      } catch {
        summary.dataset.stale = "1";
      }
    }
    busy = false;
  };

  const take = (text, still) => {
    const box = document.createElement("template");
    box.innerHTML = text;
    const part = (name) => box.content.querySelector(`[data-part="${name}"]`);
    // While dragging, only what is read at a glance is said aloud: at rest.
    summary.setAttribute("aria-live", still ? "polite" : "off");
    summary.replaceChildren(...part("summary").childNodes);
    const picture = part("picture");
    shown().replaceChildren(...picture.childNodes);
    figure.querySelector("h3").textContent = picture.dataset.title;
    figure.querySelector("figcaption p").textContent = picture.dataset.subtitle;
    if (!still) return;
    const address = picture.dataset.address;
    history.replaceState(null, "", location.pathname + "?" + address);
    for (const link of all(".files a", figure)) {
      link.href = link.getAttribute("href").split("?")[0] + "?" + address;
    }
    for (const link of all(".files a[href^='/what-if']")) {
      link.href = link.getAttribute("href").split("?")[0] + "?" + address;
    }
    const back = document.querySelector('.degrees [name="back"]');
    if (back) back.value = location.pathname + "?" + address;
    const table = part("table");
    if (table) figure.querySelector("details .scroll").replaceWith(table.firstElementChild);
  };

  const changed = () => {
    clearTimeout(rest);
    ask(false);
    rest = setTimeout(() => ask(true), 180);
  };

  for (const field of all("input[data-slider]", form)) {
    const [low, high, step] = field.dataset.slider.split(" ").map(Number);
    const slider = document.createElement("input");
    slider.type = "range";
    slider.min = low;
    slider.max = high;
    slider.step = step;
    slider.dataset.of = field.name;
    slider.setAttribute("aria-label", field.labels[0].textContent.trim());
    const follow = () => {
      const value = Number(field.value.replace(",", "."));
      slider.value = field.value !== "" && Number.isFinite(value) ? value : high;
    };
    follow();
    slider.addEventListener("input", () => { field.value = slider.value; changed(); });
    field.addEventListener("input", () => { follow(); changed(); });
    field.after(slider);
  }
  for (const list of all("select", form)) list.addEventListener("change", changed);
  // The other of the two pictures comes to be seen: it is of an earlier question.
  let before = shown();
  addEventListener("resize", () => {
    if (shown() !== before) ask(true);
    before = shown();
  });
  form.addEventListener("submit", (event) => { event.preventDefault(); ask(true); });
}

// A log that is dropped on the form is sent as if it had been chosen.
const drop = document.querySelector("[data-drop]");
if (drop) {
  const over = (event, on) => {
    event.preventDefault();
    drop.classList.toggle("over", on);
  };
  drop.addEventListener("dragover", (event) => over(event, true));
  drop.addEventListener("dragleave", (event) => over(event, false));
  drop.addEventListener("drop", (event) => {
    over(event, false);
    if (event.dataTransfer.files.length === 0) return;
    drop.querySelector("input[type=file]").files = event.dataTransfer.files;
    drop.requestSubmit();
  });
}

// A recording under way: the server sends what changed.
const followed = document.querySelector("[data-stream]");
if (followed) {
  const place = (name) => followed.querySelector(`[data-part="${name}"]`);
  const width = Math.round(place("picture").clientWidth);
  const source = new EventSource(followed.dataset.stream + "?width=" + width);
  source.addEventListener("rows", (event) => {
    const box = document.createElement("template");
    box.innerHTML = event.data;
    for (const part of all("[data-part]", box.content)) {
      place(part.dataset.part).replaceChildren(...part.childNodes);
    }
  });
  source.addEventListener("end", (event) => {
    source.close();
    location.assign(event.data);
  });
}

// Read-outs: a pointer or the arrow keys over a picture name the values there, read back from the
// drawn lines.
const number = (value, digits = 4) => {
  const size = Math.abs(value);
  const decimals = Math.max(0, digits - 1 - Math.max(0, Math.floor(Math.log10(size || 1))));
  return value.toFixed(Math.min(decimals, 3)).replace("-", "\u2212");
};

const lines = (plot) => all("path.series", plot).map((path) => {
  const points = [];
  const pieces = path.getAttribute("d").split("M").filter(Boolean);
  for (const piece of pieces) {
    const values = (piece.match(/-?\d*\.?\d+/g) ?? []).map(Number);
    let [x, y] = values;
    points.push([x, y]);
    for (let i = 2; i + 1 < values.length; i += 2) points.push([x += values[i], y += values[i + 1]]);
  }
  return { name: path.dataset.name, points };
});

const nearest = (points, x) => {
  let best = null;
  for (const point of points) if (!best || Math.abs(point[0] - x) < Math.abs(best[0] - x)) best = point;
  return best;
};

const scale = (plot, axis) => {
  const get = (name) => Number(plot.dataset[axis + name]);
  const [lo, hi, from, to] = [get("Lo"), get("Hi"), get("From"), get("To")];
  const log = axis === "x" && plot.dataset.xLog !== undefined;
  const [a, b] = log ? [Math.log10(lo), Math.log10(hi)] : [lo, hi];
  return (pixel) => {
    const value = a + (b - a) * (pixel - from) / (to - from);
    return log ? 10 ** value : value;
  };
};

// The lowest text with a comma is the title of the x axis: "Time, min".
const across = (svg) => {
  const titles = all("text", svg).filter((t) => t.textContent.includes(", "));
  const low = titles.sort((a, b) => Number(b.getAttribute("y")) - Number(a.getAttribute("y")))[0];
  const [name, unit] = (low?.textContent ?? "at").split(", ");
  return { name, unit: unit ?? "" };
};

const readAt = (svg, x) => {
  const { name, unit } = across(svg);
  const parts = [];
  for (const plot of all("g.plot", svg)) {
    const from = Number(plot.dataset.xFrom), to = Number(plot.dataset.xTo);
    if (!(x >= from - 1 && x <= to + 1)) continue;
    const toX = scale(plot, "x"), toY = scale(plot, "y");
    const own = lines(plot);
    if (own.length === 0) continue;
    if (parts.length === 0) parts.push([name, number(toX(x)), unit]);
    for (const { name, points } of own) {
      const point = nearest(points, x);
      if (point && Math.abs(point[0] - x) < 12) {
        const label = own.length > 1 ? `${plot.dataset.name} ${name}` : plot.dataset.name;
        parts.push([label, number(toY(point[1])), plot.dataset.unit]);
      }
    }
  }
  return parts;
};

for (const picture of all("figure.chart .picture")) {
  const figure = picture.closest("figure");
  let output = figure.querySelector(".readout");
  if (!output) {
    output = document.createElement("p");
    output.className = "readout";
    output.setAttribute("aria-live", "polite");
    figure.querySelector("details").before(output);
  }
  const svg = () => picture.querySelector("svg");
  if (!svg() || all("g.plot path.series", svg()).length === 0) continue;
  let at = null;
  const say = () => {
    const drawing = svg();
    drawing.querySelector("line.cursor")?.remove();
    output.replaceChildren();
    if (at === null) return;
    const parts = readAt(drawing, at);
    if (parts.length === 0) return;
    for (const [name, value, unit] of parts) {
      const bold = document.createElement("b");
      bold.textContent = value;
      output.append(name + " ", bold, unit ? " " + unit + "   " : "   ");
    }
    const plots = all("g.plot", drawing);
    const ys = plots.flatMap((p) => [Number(p.dataset.yFrom), Number(p.dataset.yTo)]).filter(Number.isFinite);
    const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "cursor");
    for (const end of ["x1", "x2"]) line.setAttribute(end, String(at));
    line.setAttribute("y1", String(Math.min(...ys)));
    line.setAttribute("y2", String(Math.max(...ys)));
    line.setAttribute("stroke", "var(--sp-muted)");
    drawing.append(line);
  };
  picture.tabIndex = 0;
  picture.setAttribute("role", "group");
  picture.setAttribute("aria-label", (figure.querySelector("h3")?.textContent ?? "Chart") + ": arrow keys read values");
  picture.addEventListener("pointermove", (event) => {
    const box = svg().getBoundingClientRect();
    at = (event.clientX - box.left) * svg().viewBox.baseVal.width / box.width;
    say();
  });
  // Dragging across a run shows that part of it.
  const part = picture.closest("[data-zoom]")?.parentElement.querySelector("form.zoom");
  if (part) {
    let start = null;
    const minutes = (x) => {
      const plot = svg().querySelector("g.plot");
      const inside = Math.min(Number(plot.dataset.xTo), Math.max(Number(plot.dataset.xFrom), x));
      return scale(plot, "x")(inside) * ({ s: 1 / 60, h: 60 }[across(svg()).unit] ?? 1);
    };
    picture.addEventListener("pointerdown", (event) => { if (event.button === 0) start = at; });
    picture.addEventListener("pointerup", () => {
      if (start === null || at === null || Math.abs(at - start) < 12) { start = null; return; }
      const [from, to] = [minutes(start), minutes(at)].sort((a, b) => a - b);
      part.querySelector('[name="from_min"]').value = from.toFixed(2);
      part.querySelector('[name="to_min"]').value = to.toFixed(2);
      part.requestSubmit();
    });
  }
  picture.addEventListener("pointerleave", () => { at = null; say(); });
  picture.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const plot = svg().querySelector("g.plot");
    if (!plot || (!step && !["Home", "End", "Escape"].includes(event.key))) return;
    event.preventDefault();
    const from = Number(plot.dataset.xFrom), to = Number(plot.dataset.xTo);
    if (event.key === "Escape") at = null;
    else if (event.key === "Home") at = from;
    else if (event.key === "End") at = to;
    else at = Math.min(to, Math.max(from, (at ?? (from + to) / 2) + step * (event.shiftKey ? 1 : (to - from) / 50)));
    say();
  });
}
