"use strict";
// The page for the phone. Money is in whole minor units; the sums by steps are those of src/app/pocket/steps.rs.
(() => {
  const doc = JSON.parse(document.getElementById("figures").textContent);
  const byId = (id) => document.getElementById(id);
  const unit = 10 ** doc.decimals;
  const UNKNOWN = 0, NOTHING = 1; // Any more is an amount plus 2.
  const FEW = "Too little to go by for such a unit.";
  const KINDS = [["variant", "Variant"], ["missing", "Missing"], ["extra", "Extras"], ["defect", "Defects"]];
  const unpacked = new Map();
  let model, state, parts;

  // --- figures

  function unpack(at) {
    const { grades, levels, others, pairs, figures } = doc.models[at];
    const text = atob(figures);
    let place = 0;
    const next = () => {
      let value = 0, scale = 1, byte;
      do {
        byte = text.charCodeAt(place++);
        value += (byte & 127) * scale;
        scale *= 128;
      } while (byte > 127);
      return value % 2 ? -(value + 1) / 2 : value / 2;
    };
    const each = doc.outlets.map(({ priced }) => (priced ? 1 : 0) + 1 + doc.chances.length);
    const width = each.reduce((sum, one) => sum + one, 2);
    const sets = [[], ...others.map((_, one) => [one]), ...pairs];
    const count = (grades.length + 2) * (levels.length + 1) * sets.length;
    const rows = [];
    let before = null;
    for (let row = 0; row < count; row++) {
      const last = before ? before[0] + 1 : 0;
      const likely = last + next() - 1;
      if (likely < 0) {
        rows.push(null);
        continue;
      }
      const values = [likely];
      for (let column = 1; column <= width; column++) {
        let expected = before ? before[column] : 0;
        if (before && before[0] > 0) expected = Math.floor(expected * likely / before[0] + 0.5);
        values.push(expected + next());
      }
      rows.push(values);
      before = values;
    }
    const places = new Map(sets.map((set, index) => [set.join(), index]));
    return { rows, sets, places };
  }

  function figuresOf(at) {
    if (!unpacked.has(at)) unpacked.set(at, unpack(at));
    return unpacked.get(at);
  }

  // The columns of an outlet.
  function columns(outlet) {
    let at = 3;
    for (const { priced } of doc.outlets.slice(0, outlet)) at += (priced ? 2 : 1) + doc.chances.length;
    const own = doc.outlets[outlet].priced;
    return { likely: own ? at : 0, kept: at + (own ? 1 : 0), most: at + (own ? 2 : 1) };
  }

  // A row that is worked out.
  function row(grade, level, set) {
    const { rows, sets, places } = figuresOf(state.model);
    const at = places.get(set.join());
    return at === undefined ? undefined : rows[(grade * (model.levels.length + 1) + level) * sets.length + at];
  }

  // The figures of what is chosen: { likely, low, high, there, kept, most, about }, or why there are none.
  function answer() {
    const others = [...state.others].sort((a, b) => a - b);
    const at = columns(state.outlet);
    const most = at.most + state.chance;
    const exact = row(state.grade, state.level, others);
    if (exact === null) return { why: FEW };
    if (exact) {
      const [likely, low, high] = exact;
      return { likely, low, high, there: exact[at.likely], kept: exact[at.kept], most: exact[most] };
    }
    if (others.length > model.reach) {
      return { why: `Not worked out for so many. Tap at most ${model.reach} besides grade and completeness.` };
    }
    const level = state.level || Math.max(...others.map((one) => model.others[one].implies));
    const none = row(state.grade, level, []);
    const each = others.map((one) => row(state.grade, level, [one]));
    const pairs = others.flatMap((other, place) => others.slice(0, place).map((one) => row(state.grade, level, [one, other])));
    if (![none, ...each, ...pairs].every(Boolean)) return { why: FEW };
    const n = others.length;
    const all = (rows, of) => rows.reduce((sum, one) => sum + of(one), 0);
    const sum = (of) => all(pairs, of) - (n - 2) * all(each, of) + (n - 1) * (n - 2) / 2 * of(none);
    const price = (column) => Math.exp(sum((one) => Math.log(one[column])));
    const distance = (column) => Math.sqrt(sum((one) => Math.log(one[column] / one[0]) ** 2));
    const likely = price(0), there = rounded(price(at.likely));
    const found = {
      likely: rounded(likely), low: rounded(likely * Math.exp(-distance(1))), high: rounded(likely * Math.exp(distance(2))),
      there, kept: between(there), most: UNKNOWN, about: true,
    };
    return Number.isFinite(found.low + found.high) && found.kept !== null ? found : { why: FEW };
  }

  const rounded = (amount) => Math.floor(amount + 0.5);

  // What is kept of a price at the outlet, on the line between the next prices; null beyond them.
  function between(price) {
    const at = columns(state.outlet);
    let below = null, above = null;
    for (const one of figuresOf(state.model).rows) {
      if (!one) continue;
      if (one[at.likely] <= price && (!below || one[at.likely] > below[at.likely])) below = one;
      if (one[at.likely] >= price && (!above || one[at.likely] < above[at.likely])) above = one;
    }
    if (!below || !above) return null;
    if (below[at.likely] === above[at.likely]) return below[at.kept];
    const share = (price - below[at.likely]) / (above[at.likely] - below[at.likely]);
    return rounded(below[at.kept] + (above[at.kept] - below[at.kept]) * share);
  }

  // --- words

  function shown(minor) {
    const digits = String(Math.abs(minor)).padStart(doc.decimals + 1, "0");
    const whole = digits.slice(0, digits.length - doc.decimals).replace(/\B(?=(\d{3})+$)/g, "\u202f");
    const rest = doc.decimals ? "." + digits.slice(-doc.decimals) : "";
    return (minor < 0 ? "\u2212" : "") + whole + rest;
  }

  // What was typed for parts, in minor units; null if it is no amount.
  function typed(text) {
    const plain = text.trim().replace(",", ".");
    if (plain === "") return 0;
    const match = /^(\d{1,9})(?:\.(\d*))?$/.exec(plain);
    const rest = match && (match[2] || "").replace(/0+$/, "");
    if (!match || rest.length > doc.decimals) return null;
    return Number(match[1]) * unit + Number(rest.padEnd(doc.decimals, "0") || 0);
  }

  function show() {
    const found = answer();
    const about = found.about ? "about " : "";
    const outlet = doc.outlets[state.outlet];
    const lines = [];
    byId("answer").classList.toggle("about", Boolean(found.about));
    if (found.why) {
      byId("likely").textContent = byId("most").textContent = "–";
      byId("range").textContent = byId("kept").textContent = "";
      byId("note").textContent = found.why;
      return;
    }
    byId("likely").textContent = about + shown(found.likely);
    byId("range").textContent = `${doc.level}\u00a0% range ${shown(found.low)} to ${shown(found.high)}`;
    const there = outlet.priced ? ` of ${shown(found.there)} there` : "";
    byId("kept").textContent = outlet.name ? `through ${outlet.name} you keep ${shown(found.kept)}${there}` : "";
    let most = "–";
    if (parts === null) lines.push(`Parts: an amount such as ${shown(14 * unit)}.`);
    else if (found.about) lines.push("The most to pay is worked out for at most 2 besides grade and completeness.");
    else if (found.most === UNKNOWN) lines.push("The most to pay is not known: nothing tells what it is worth for parts.");
    else if (found.most === NOTHING || found.most - 2 < parts) {
      most = "nothing";
      lines.push("Leave it: no price keeps your aims.");
    } else most = shown(found.most - 2 - parts);
    byId("most").textContent = most;
    if (found.about) lines.push(`About: by steps from the nearest units, within 1\u00a0% or ${shown(Math.max(1, unit / 2))}.`);
    byId("note").textContent = lines.join(" ");
  }

  // --- what can be tapped

  function element(name, text, attributes = {}) {
    const made = document.createElement(name);
    if (text) made.textContent = text;
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  }

  let ids = 0;
  function button(type, group, text, checked, tapped) {
    const made = element("span", "", { class: "choice" });
    const input = element("input", "", { type, name: group, id: `c${++ids}` });
    input.checked = checked;
    input.addEventListener("change", () => { tapped(input.checked); show(); });
    made.append(input, element("label", text, { for: input.id }));
    return made;
  }

  function group(title, id, buttons, more) {
    const made = element("fieldset", "", { id });
    const row = element("div", "", { class: "row" });
    row.append(...buttons);
    made.append(element("legend", title), row, ...(more || []));
    return made;
  }

  function single(title, id, names, key) {
    return group(title, id, names.map((name, at) => button("radio", id, name, state[key] === at, () => { state[key] = at; })));
  }

  // A piece is not missing and extra at once, and a unit has one variant.
  function drop(at) {
    const one = model.others[at];
    const piece = (kind) => kind === "missing" || kind === "extra";
    for (const other of [...state.others]) {
      const { kind, name } = model.others[other];
      const twin = piece(kind) && piece(one.kind) && kind !== one.kind && name === one.name;
      if (other !== at && (twin || (kind === "variant" && one.kind === "variant"))) state.others.delete(other);
    }
  }

  function several(kind, title) {
    const all = model.others.map((other, at) => ({ ...other, at })).filter((other) => other.kind === kind);
    if (!all.length) return [];
    const buttons = all.map(({ name, at }) => button("checkbox", kind, name, state.others.has(at), (on) => {
      if (on) state.others.add(at); else state.others.delete(at);
      drop(at);
      for (const input of byId("choices").querySelectorAll("input[type=checkbox]")) {
        input.checked = state.others.has(Number(input.dataset.at));
      }
    }));
    buttons.forEach((made, place) => { made.firstChild.dataset.at = all[place].at; });
    return [group(title, kind, buttons)];
  }

  function repair() {
    const chances = doc.chances.map((chance, at) => button("radio", "chance", `${chance}\u00a0%`, state.chance === at, () => { state.chance = at; }));
    const label = element("label", `Parts to buy, ${doc.currency}`, { for: "parts" });
    const input = element("input", "", { id: "parts", inputmode: "decimal", autocomplete: "off", placeholder: shown(0) });
    input.value = state.parts;
    input.addEventListener("input", () => {
      state.parts = input.value;
      parts = typed(input.value);
      input.setAttribute("aria-invalid", String(parts === null));
      show();
    });
    const line = element("p", "", { class: "field" });
    line.append(label, input);
    return group("Repair: chance that it works", "chance", chances, [line]);
  }

  function draw() {
    model = doc.models[state.model];
    parts = typed(state.parts);
    const hint = element("p", "Grade and pieces as you will sell it: repaired and complete.", { class: "hint" });
    const groups = [
      single("Grade", "grade", ["not said", ...model.grades, "for parts"], "grade"),
      single("Completeness", "level", ["not said", ...model.levels], "level"),
      ...KINDS.flatMap(([kind, title]) => several(kind, title)),
      repair(),
    ];
    if (doc.outlets.length > 1) groups.push(single("Outlet", "outlet", doc.outlets.map(({ name }) => name), "outlet"));
    byId("choices").replaceChildren(hint, ...groups);
    show();
  }

  function start(at) {
    const kept = state || { outlet: 0 };
    state = { model: at, grade: 0, level: 0, others: new Set(), chance: 0, parts: "", outlet: kept.outlet };
    draw();
  }

  function age() {
    const [year, month, day] = doc.made.split("-").map(Number);
    const days = Math.floor((Date.now() - new Date(year, month - 1, day)) / 86400000);
    const [old, stale] = doc.ages;
    document.documentElement.classList.toggle("old", days >= old);
    document.documentElement.classList.toggle("stale", days >= stale);
    byId("age").hidden = days < old;
    byId("age").textContent = days >= stale
      ? `Made ${days} days ago: too old to rely on. Make the page again.`
      : `Made ${days} days ago. Prices may have moved: make the page again.`;
  }

  doc.models.forEach(({ name }, at) => byId("model").append(element("option", name, { value: at })));
  byId("model").addEventListener("change", () => start(byId("model").selectedIndex));
  byId("clear").addEventListener("click", () => start(state.model));
  document.addEventListener("visibilitychange", age);
  age();
  if (doc.models.length) start(0);
})();
