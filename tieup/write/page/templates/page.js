"use strict";
// The page works without this script: all views then stand below one another and the plan is
// still. Texts go into the page as text, never as markup.
(function () {
  const root = document.documentElement;
  const byId = (id) => document.getElementById(id);
  root.classList.add("script");

  // ---- one view at a time -------------------------------------------------------------------

  const views = ["crew", "survey", "office", "plan"];
  const links = document.querySelectorAll("nav a");
  let view = "crew";

  function show() {
    const id = decodeURIComponent(location.hash.slice(1));
    const target = byId(id);
    const section = target && target.closest("section.view");
    if (section) view = section.id;
    root.dataset.view = view;
    for (const link of links) {
      const own = link.hash.slice(1);
      if (own === view) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
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
    const code = button.parentElement.querySelector("code");
    const done = () => {
      button.textContent = "Copied";
      setTimeout(() => (button.textContent = "Copy"), 2000);
    };
    const select = () => getSelection().selectAllChildren(code);
    if (navigator.clipboard) navigator.clipboard.writeText(code.textContent).then(done, select);
    else select();
  }

  // ---- paper --------------------------------------------------------------------------------

  addEventListener("beforeprint", () => map && map.home());

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
    let box = whole(), roaming = false, waiting = false, picked = null;

    // -- drawing

    function whole() {
      const shape = svg.clientHeight / svg.clientWidth || height / WIDTH;
      const w = Math.max(WIDTH, height / shape);
      return { x: (WIDTH - w) / 2, y: (height - w * shape) / 2, w, h: w * shape };
    }

    function draw() {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => { waiting = false; paint(); });
    }

    function paint() {
      const k = box.w / (svg.clientWidth || WIDTH);
      svg.setAttribute("viewBox", `${box.x} ${box.y} ${box.w} ${box.h}`);
      svg.style.setProperty("--k", k);
      for (const bar of svg.querySelectorAll("[data-beside]")) {
        bar.setAttribute("transform", `translate(${bar.dataset.beside * k} 0)`);
      }
      svg.classList.toggle("near", roaming);
      furniture(k);
      nameShots(k);
    }

    function furniture(k) {
      const want = box.w / scale / 5, decade = 10 ** Math.floor(Math.log10(want));
      const bar = [5, 2, 1].find((step) => step * decade <= want) * decade;
      byId("bar").setAttribute("d", `M0-6v6h${(bar * scale) / k}v-6`);
      byId("bar-text").textContent = `${bar < 1 ? bar.toPrecision(1) : bar} ${data.unit}`;
      const left = box.x + 16 * k, low = box.y + box.h - 16 * k;
      byId("furniture").setAttribute("transform", `translate(${left} ${low}) scale(${k})`);
    }

    function nameShots(k) {
      const shown = places.filter((p) => !p.setup && words.role[p.i] === "shot" && inside(p));
      byId("near").replaceChildren();
      if (shown.length > MOST_NAMES || box.w > WIDTH * 0.6) return;
      for (const place of shown) byId("near").append(label(place, "name shot", 6, -4));
    }

    function node(tag, attributes) {
      const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
      for (const name in attributes) made.setAttribute(name, attributes[name]);
      return made;
    }

    function label(place, look, x, y) {
      const group = node("g", { transform: `translate(${place.x} ${place.y})` });
      const text = node("text", { class: `k ${look}`, x, y });
      text.textContent = place.name;
      group.append(text);
      return group;
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
    const home = () => { roaming = false; box = whole(); paint(); };

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
      if (!place.setup && words.role[place.i] === "shot") {
        byId("picked").append(label(place, "name chosen", 13, 21));
      }
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
      byId("info").replaceChildren(title, list, ...(own.length ? [tieTable(own, place.setup)] : []));
    }

    function facts(i) {
      const at = (name) => figures[name][i], word = (name) => words[name][i];
      const unit = data.unit, high = at("elevation_interval");
      const sizes = ["ellipse_major", "ellipse_minor"].map((name) => at(name) && small(at(name)));
      const size = sizes[0] && `${sizes.join(" × ")} ${data.small}, long axis at ${bearing(at("ellipse_azimuth"))}`;
      const proof = { held: "held", checked: "checked", unchecked: "nothing checks it", disputed: "two places fit: see findings" }[word("proof")];
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

    function tieTable(ties, bySetup) {
      const table = document.createElement("table"), head = document.createElement("tr");
      for (const title of [bySetup ? "Mark" : "Setup", `Plan, ${data.small}`, `Height, ${data.small}`, "Verdict"]) {
        head.append(made("th", title));
      }
      table.append(head);
      for (const [point, setup, plan, high, verdict] of ties) {
        const row = document.createElement("tr");
        for (const text of [bySetup ? data.name[point] : setup, plan, high, verdict]) row.append(made("td", text));
        table.append(row);
      }
      return table;
    }

    return { fit, find, home };
  }
})();
