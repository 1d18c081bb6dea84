"use strict";
// The page works without this script: all views then stand below one another and the plan is
// still. Texts go into the page as text, never as markup.
(function () {
  const root = document.documentElement;
  const byId = (id) => document.getElementById(id);
  root.classList.add("script");

  // ---- one view at a time -------------------------------------------------------------------

  const views = ["crew", "survey", "office", "plan", "surface"];
  const links = document.querySelectorAll("nav a");
  let view = "crew";

  function show() {
    const id = decodeURIComponent(location.hash.slice(1));
    const target = byId(id);
    const section = target && target.closest("section.view");
    if (section) view = section.id;
    for (let fold = target; fold; fold = fold.parentElement) if (fold.tagName === "DETAILS") fold.open = true;
    root.dataset.view = view;
    for (const link of links) {
      const own = link.hash.slice(1);
      if (own === view) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    if (map) byId("plan-title").setAttribute("aria-level", view === "plan" ? 1 : 2);
    if (map) map.fit();
    if (views.includes(id)) scrollTo({ top: 0, behavior: "instant" });
    else if (target) target.scrollIntoView();
  }

  addEventListener("hashchange", show);
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (link && link.hash === location.hash) show(); // the same hash again makes no event
    const point = event.target.closest("a.point");
    if (point && map) map.find(point.dataset.point);
    const button = event.target.closest("button.copy");
    if (button) copy(button);
  });

  // ---- copying a decision -------------------------------------------------------------------

  function copy(button) {
    const code = button.closest(".decision").querySelector("code");
    const word = button.querySelector("b");
    const done = () => {
      word.textContent = byId("said").textContent = "Copied";
      setTimeout(() => { word.textContent = "Copy"; byId("said").textContent = ""; }, 2000);
    };
    const select = () => { // where a page may not write to the clipboard by itself
      getSelection().selectAllChildren(code);
      if (document.execCommand("copy")) done();
    };
    if (navigator.clipboard) navigator.clipboard.writeText(code.textContent).then(done, select);
    else select();
  }

  // ---- paper: everything is open, the plan whole, and closed again afterwards ---------------

  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const fold of closed) fold.open = true;
    if (map) map.paper();
  });
  addEventListener("afterprint", () => {
    for (const fold of closed) fold.open = false;
    if (map) map.home();
  });

  // ---- surfaces: what a tap tells -----------------------------------------------------------

  for (const svg of document.querySelectorAll(".surface-map")) {
    const data = byId(`${svg.dataset.surface}-data`);
    if (data) listen(svg, JSON.parse(data.textContent), byId(`${svg.dataset.surface}-info`));
  }

  function listen(svg, data, info) {
    svg.addEventListener("click", (event) => {
      const frame = svg.getBoundingClientRect(), wide = svg.viewBox.baseVal.width;
      const k = Math.max(wide / frame.width, svg.viewBox.baseVal.height / frame.height);
      const x = wide / 2 + (event.clientX - frame.left - frame.width / 2) * k;
      const y = svg.viewBox.baseVal.height / 2 + (event.clientY - frame.top - frame.height / 2) * k;
      const ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
      for (const [name, value] of [["class", "ring"], ["cx", x], ["cy", y], ["r", 10]]) ring.setAttribute(name, value);
      svg.querySelector(".picked").replaceChildren(ring);
      const list = document.createElement("dl");
      list.className = "facts";
      for (const [term, text] of told(data, x, y)) {
        const row = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd");
        dt.textContent = term;
        dd.textContent = text;
        row.append(dt, dd);
        list.append(row);
      }
      info.replaceChildren(list);
    });
  }

  function told(data, x, y) {
    for (let t = 0; t < data.fall.length; t++) {
      const rows = data.faces.slice(3 * t, 3 * t + 3);
      const [[ax, ay], [bx, by], [cx, cy]] = rows.map((v) => [data.at[2 * v], data.at[2 * v + 1]]);
      const whole = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay);
      const b = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) / whole;
      const c = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) / whole;
      if (!(b >= -1e-6 && c >= -1e-6 && b + c <= 1 + 1e-6)) continue;
      const share = [1 - b - c, b, c], word = (name) => data[name].list[data[name].of[t]];
      const height = rows.reduce((sum, v, i) => sum + share[i] * data.height[v], 0);
      const proof = word("proof") === "unchecked" ? "nothing checks one of its corners" : word("proof");
      return [
        ["Height", `${height.toFixed(3)} ${data.unit}`],
        ["Grade", `${data.fall[t].toFixed(2)} %, sd ${data.sd_fall[t].toFixed(2)}`],
        ["Proof", proof], ["Setups", word("setups") || "several"],
        ...(word("breaks") ? [["Breaks", word("breaks")]] : []),
      ];
    }
    return [["Height", "outside of the surface"]];
  }

  // ---- the plan -----------------------------------------------------------------------------

  const map = byId("map") && makeMap(byId("map"), JSON.parse(byId("plan-data").textContent));
  show();

  function makeMap(svg, data) {
    const WIDTH = 1000, NEAREST = 60, REACH = 26, MOST_NAMES = 70;
    const { north, west, scale, height } = data.frame;
    const figures = {}, words = {};
    for (const name in data.figures) figures[name] = data.figures[name].split(",");
    for (const name in data.words) {
      const list = data.words[name].list;
      words[name] = data.words[name].of.split(",").map((n) => list[n]);
    }
    const places = data.name.map((name, i) => ({
      name, i, x: (figures.easting[i] - west) * scale, y: (north - figures.northing[i]) * scale,
    }));
    for (const [name, x, y, over, verdict] of data.setups) {
      places.push({ name, x, y, over, verdict, setup: true });
    }
    const byName = new Map();
    for (const place of places) if (place.setup || !byName.has(place.name)) byName.set(place.name, place);
    let sheet = null, box = whole(), roaming = false, waiting = false, picked = null;

    // -- drawing

    function whole() {
      const shape = sheet ? sheet.height / sheet.width : svg.clientHeight / svg.clientWidth || height / WIDTH;
      const w = Math.max(WIDTH, height / shape);
      return { x: (WIDTH - w) / 2, y: (height - w * shape) / 2, w, h: w * shape };
    }

    function draw() {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => { waiting = false; paint(); });
    }

    function paint() {
      const wide = sheet ? sheet.width : svg.clientWidth || WIDTH, k = box.w / wide;
      svg.setAttribute("viewBox", `${box.x} ${box.y} ${box.w} ${box.h}`);
      svg.style.setProperty("--k", k);
      for (const bar of svg.querySelectorAll("[data-beside]")) {
        bar.setAttribute("transform", `translate(${bar.dataset.beside * k} 0)`);
      }
      svg.classList.toggle("near", roaming);
      furniture(k, wide);
      const near = nearShots();
      byId("near").replaceChildren(...near.map((label) => label.group));
      placeLabels([...labels, ...near], k);
    }

    function furniture(k, wide) {
      const want = box.w / scale / 5, decade = 10 ** Math.floor(Math.log10(want));
      const bar = [5, 2, 1].find((step) => step * decade <= want) * decade, long = (bar * scale) / k;
      const says = `${bar < 1 ? bar.toPrecision(1) : bar} ${data.unit}`;
      byId("furniture").setAttribute("viewBox", `0 0 ${wide} 40`);
      byId("furniture").setAttribute("aria-label", `North is up. The scale bar shows ${says}.`);
      byId("bar").setAttribute("d", `M60 12v12h${long}v-12`);
      byId("bar-text").setAttribute("x", long + 68);
      byId("bar-text").textContent = says;
    }

    // -- names: none over another, by the rule by which the page was made (data.spots)

    const pen = document.createElement("canvas").getContext("2d");
    const family = getComputedStyle(svg).fontFamily, order = new Map();
    const labels = [...svg.querySelectorAll("#labels .label")].map((group, rank) => {
      const [x, y, beside, reach, size, firm] = group.dataset.at.split(" ").map(Number);
      const layer = [...group.classList].find((name) => name.startsWith("layer-"));
      const name = group.firstChild.textContent;
      return { group, name, x, y, beside, reach, firm, layer, rank, ...measured(name, size) };
    });
    const symbols = [...svg.querySelectorAll(".symbol")].flatMap((group) => {
      const { e: x, f: y } = group.transform.baseVal[0].matrix;
      const layer = group.parentElement.classList[0], setup = group.classList.contains("stand");
      const own = [{ x, y, layer, dx: 0, reach: setup ? 10 : group.classList.contains("joint") ? 8 : 6.5 }];
      if (group.querySelector(".shape")) own.push({ x, y, layer, dx: -13, reach: 8 });
      return own;
    });

    function measured(text, size) {
      const words = text.replace(/\s+/g, " ");
      if (!order.has(words + size)) {
        pen.font = `800 ${size}px ${family}`;
        const { width, actualBoundingBoxAscent: up, actualBoundingBoxDescent: down } = pen.measureText(words);
        order.set(words + size, { wide: width, up: Math.max(0.97 * size, up), down: Math.max(0.28 * size, down) });
      }
      return order.get(words + size);
    }

    function placeLabels(all, k) {
      const shown = new Map(); // which layers are switched on
      const on = (layer) => {
        if (!shown.has(layer)) shown.set(layer, !byId(layer) || byId(layer).checked);
        return shown.get(layer);
      };
      const px = (p, beside = 0) => [(p.x - box.x) / k + beside, (p.y - box.y) / k];
      const wide = box.w / k, high = box.h / k, cells = new Map(), SIDE = 64;
      const eachCell = ([l, t, r, b], act) => {
        for (let i = Math.floor(l / SIDE); i <= r / SIDE; i++) {
          for (let j = Math.floor(t / SIDE); j <= b / SIDE; j++) if (act(`${i} ${j}`)) return true;
        }
        return false;
      };
      const take = (taken) => eachCell(taken, (cell) => {
        if (!cells.has(cell)) cells.set(cell, []);
        cells.get(cell).push(taken);
      });
      const hits = (wanted, x, y, symbols) => eachCell(wanted, (cell) => (cells.get(cell) || []).some(
        ([l, t, r, b, symbol]) => wanted[0] < r && l < wanted[2] && wanted[1] < b && t < wanted[3]
          && !(symbol && (!symbols || (l <= x && x <= r && t <= y && y <= b)))));
      for (const symbol of symbols) {
        if (!on(symbol.layer) || !inside(symbol)) continue;
        const [x, y] = px(symbol), { dx, reach } = symbol;
        take([x + dx - reach, y + dx - reach, x + dx + reach, y + dx + reach, true]);
      }
      const isPicked = (label) => picked && !picked.setup && picked.name === label.name;
      const turn = (label) => label.layer === "layer-disputed" ? 0 : isPicked(label) ? 1 : 2;
      const sorted = [...all].sort((a, b) => turn(a) - turn(b) || a.rank - b.rank);
      for (const { group, x: lx, y: ly, beside, reach, firm, layer, wide: long, up, down } of sorted) {
        const [x, y] = px({ x: lx, y: ly }, beside), tall = up + down;
        const seen = on(layer) && x >= 0 && x <= wide && y >= 0 && y <= high;
        const free = (seen ? data.spots : []).map(([a, b, c, d]) => {
          const left = x + a * reach + b * long, top = y + c * reach + d * tall;
          return [left - data.gap, top, left + long + data.gap, top + tall];
        }).filter(([l, t, r, b]) => l >= 0 && t >= 0 && r <= wide && b <= high);
        const best = free.find((wanted) => !hits(wanted, x, y, true))
          || (firm && free.find((wanted) => !hits(wanted, x, y, false)));
        group.classList.toggle("out", !best);
        if (!best) continue;
        take(best);
        group.setAttribute("transform", `translate(${lx + beside * k} ${ly})`);
        group.firstChild.setAttribute("x", best[0] + data.gap - x);
        group.firstChild.setAttribute("y", best[1] + up - y);
      }
    }

    function nearShots() {
      const isShot = (p) => !p.setup && words.role[p.i] === "shot";
      const shown = places.filter((p) => isShot(p) && inside(p));
      const named = shown.length > MOST_NAMES || box.w > WIDTH * 0.6 ? [] : shown;
      if (picked && isShot(picked) && !named.includes(picked)) named.push(picked);
      return named.map((place) => {
        const look = place === picked ? "chosen" : "shot", size = place === picked ? 16 : 11;
        const group = node("g", { class: "label" });
        group.append(node("text", { class: `k name ${look}` }));
        group.firstChild.textContent = place.name;
        const { name, x, y } = place;
        const rank = labels.length + place.i, layer = place === picked ? "" : "layer-names";
        return { group, name, x, y, beside: 0, reach: 5, layer, rank, ...measured(name, size) };
      });
    }

    function node(tag, attributes) {
      const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
      for (const name in attributes) made.setAttribute(name, attributes[name]);
      return made;
    }

    // -- moving

    function zoom(factor, x, y) {
      const all = whole();
      const w = Math.min(Math.max(box.w * factor, all.w / NEAREST), all.w);
      const part = w / box.w;
      roaming = w < all.w;
      if (!roaming) box = all;
      else box = { x: x - (x - box.x) * part, y: y - (y - box.y) * part, w, h: box.h * part };
      draw();
    }

    function move(dx, dy) {
      const all = whole();
      roaming = true;
      box.x = Math.min(Math.max(box.x + dx, all.x - box.w / 2), all.x + all.w - box.w / 2);
      box.y = Math.min(Math.max(box.y + dy, all.y - box.h / 2), all.y + all.h - box.h / 2);
      draw();
    }

    const inside = (p) => p.x > box.x && p.x < box.x + box.w && p.y > box.y && p.y < box.y + box.h;
    const middle = () => picked && inside(picked)
      ? [picked.x, picked.y] : [box.x + box.w / 2, box.y + box.h / 2];
    const home = () => { roaming = false; sheet = null; box = whole(); paint(); };
    const paper = () => { roaming = false; sheet = { width: 680, height: 453 }; box = whole(); paint(); }; // 180 x 120 mm

    function spot(event) {
      const frame = svg.getBoundingClientRect(), k = box.w / frame.width;
      return [box.x + (event.clientX - frame.left) * k, box.y + (event.clientY - frame.top) * k];
    }

    const fingers = new Map();
    let moved = 0, spread = 0;
    const gap = () => {
      const [a, b] = fingers.values();
      return Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
    };

    svg.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, event);
      if (fingers.size === 1) moved = 0;
      if (fingers.size === 2) { spread = gap(); moved = Infinity; }
    });
    svg.addEventListener("pointermove", (event) => {
      const before = fingers.get(event.pointerId);
      if (!before) return;
      const k = box.w / svg.clientWidth;
      const dx = event.clientX - before.clientX, dy = event.clientY - before.clientY;
      moved += Math.hypot(dx, dy);
      if (moved > 4 && !svg.hasPointerCapture(event.pointerId)) svg.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, event);
      move((-dx * k) / fingers.size, (-dy * k) / fingers.size);
      if (fingers.size === 2) {
        const [a, b] = [...fingers.values()].map(spot), now = gap();
        zoom(spread / now, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
        spread = now;
      }
    });
    for (const end of ["pointerup", "pointercancel"]) {
      svg.addEventListener(end, (event) => {
        if (fingers.delete(event.pointerId) && end === "pointerup" && moved < 6) tap(event);
      });
    }
    svg.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== svg) return; // the page scrolls
      event.preventDefault();
      zoom(event.deltaY > 0 ? 1.25 : 0.8, ...spot(event));
    }, { passive: false });
    svg.addEventListener("keydown", (event) => {
      const step = box.w / 8;
      const keys = {
        ArrowLeft: () => move(-step, 0), ArrowRight: () => move(step, 0),
        ArrowUp: () => move(0, -step), ArrowDown: () => move(0, step),
        "+": () => zoom(0.7, ...middle()), "=": () => zoom(0.7, ...middle()),
        "-": () => zoom(1.4, ...middle()), 0: home,
      };
      if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      keys[event.key]();
    });
    byId("zoom-in").addEventListener("click", () => zoom(0.6, ...middle()));
    byId("zoom-out").addEventListener("click", () => zoom(1 / 0.6, ...middle()));
    byId("zoom-all").addEventListener("click", home);
    addEventListener("resize", () => fit());
    svg.closest("section").addEventListener("change", draw); // what is switched off leaves room

    function fit() {
      const all = whole();
      if (roaming) box.h = (box.w * all.h) / all.w;
      else box = all;
      draw();
    }

    // -- picking a point

    function tap(event) {
      const [x, y] = spot(event);
      let nearest = null, least = REACH * (box.w / svg.clientWidth);
      for (const place of places) {
        const apart = Math.hypot(place.x - x, place.y - y);
        if (apart < least) { nearest = place; least = apart; }
      }
      if (nearest) pick(nearest);
    }

    function pick(place) {
      picked = place;
      const ring = node("g", { transform: `translate(${place.x} ${place.y})` });
      ring.append(node("circle", { class: "k ring", r: 11 }));
      byId("picked").replaceChildren(ring);
      draw();
      tell(place);
    }

    function find(name) {
      const wanted = name.trim();
      const same = (place) => place.name.toLowerCase() === wanted.toLowerCase();
      const place = byName.get(wanted) || places.find(same);
      if (!place || !Number.isFinite(place.x)) {
        const words = `${wanted} is not on this plan.`;
        byId("info").replaceChildren(made("p", words));
        return;
      }
      if (roaming) {
        box.x = place.x - box.w / 2;
        box.y = place.y - box.h / 2;
        draw();
      }
      pick(place);
    }

    byId("find-form").addEventListener("submit", (event) => {
      event.preventDefault();
      find(byId("find").value);
    });
    byId("find").addEventListener("input", (event) => {
      const start = event.target.value.toLowerCase();
      const hits = start ? places.filter((p) => p.name.toLowerCase().includes(start)) : [];
      hits.sort((a, b) => a.name.length - b.name.length);
      byId("found").replaceChildren(...hits.slice(0, 12).map((p) => {
        const option = document.createElement("option");
        option.value = p.name;
        return option;
      }));
    });

    // -- the numbers of a point

    function made(tag, text) {
      const element = document.createElement(tag);
      element.textContent = text;
      return element;
    }

    function line(term, text) {
      const row = document.createElement("div");
      row.append(made("dt", term), made("dd", text));
      return row;
    }

    function small(text) {
      return data.small === "mm" ? (text * 1000).toFixed(1) : (+text).toFixed(4);
    }

    function bearing(text) {
      return `${Number.isFinite(+text) ? (+text).toFixed(1) : text} ${data.angle}`;
    }

    function tell(place) {
      const title = made("h3", place.setup ? `Setup ${place.name}` : place.name);
      const list = document.createElement("dl");
      list.className = "facts";
      if (place.setup) list.append(line("Stands", place.over), line("Verdict", place.verdict));
      else for (const [term, text] of facts(place.i)) if (text) list.append(line(term, text));
      const own = data.ties.filter((tie) => (place.setup ? tie[1] === place.name : tie[0] === place.i));
      const stories = place.setup ? [] : data.disputed.filter((story) => story[0] === place.i);
      const tables = [...(stories.length ? [storyTable(stories)] : []), ...(own.length ? [tieTable(own, place.setup)] : [])];
      byId("info").replaceChildren(title, list, ...tables);
    }

    function facts(i) {
      const at = (name) => figures[name][i], word = (name) => words[name][i];
      const unit = data.unit, high = at("elevation_interval");
      const sizes = ["ellipse_major", "ellipse_minor"].map((name) => at(name) && small(at(name)));
      const size = sizes[0] && `${sizes.join(" × ")} ${data.small}, long axis at ${bearing(at("ellipse_azimuth"))}`;
      const proof = { held: "held", checked: "checked", unchecked: "nothing checks it", disputed: "more than one place fits" }[word("proof")];
      return [
        ["Northing", `${at("northing")} ${unit}`], ["Easting", `${at("easting")} ${unit}`],
        ["Elevation", at("elevation") ? `${at("elevation")} ${unit}` : "not known"],
        ["Role", word("role")], ["Proof", proof],
        [`Ellipse, ${data.confidence} %`, size],
        [`Elevation, ${data.confidence} %`, high && `± ${small(high)} ${data.small}`],
        ["Setups", word("setups")], ["Code", word("code")], ["String", word("string")],
        ["Remarks", word("flags")],
      ];
    }

    function table(titles, rows) {
      const grid = document.createElement("table"), head = document.createElement("tr");
      head.append(...titles.map((title) => made("th", title)));
      grid.append(head);
      for (const cells of rows) {
        const row = document.createElement("tr");
        row.append(...cells.map((text) => made("td", text)));
        grid.append(row);
      }
      return grid;
    }

    const storyTable = (stories) => table(["Place", "If", "Northing", "Easting", "Elevation"], stories.map((story) => story.slice(1)));

    const tieTable = (ties, bySetup) => table(
      [bySetup ? "Mark" : "Setup", `Plan, ${data.small}`, `Height, ${data.small}`, "Verdict"],
      ties.map(([point, setup, ...cells]) => [bySetup ? data.name[point] : setup, ...cells]));

    return { fit, find, home, paper };
  }
})();
