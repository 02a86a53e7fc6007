"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const SVG = "http://www.w3.org/2000/svg";
  const CHUNK = 100;
  const column = Object.fromEntries(data.columns.map((name, place) => [name, place]));
  const raw = (line, name) => data.rows[line][column[name]];
  const pooled = (line, name) => data.pool[raw(line, name)];
  const verdict = (line) => data.verdicts[raw(line, "verdict")];
  const finding = (line) => data.findings[raw(line, "finding")];
  const flags = (line) => raw(line, "flags").map((flag) => data.flags[flag]);
  const phrases = { pass: "may go on", fail: "must not", retest: "new test" };

  const element = (tag, attributes = {}, ...children) => {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (value !== null && value !== false) made.setAttribute(name, value);
    }
    made.append(...children.filter((child) => child !== null && child !== ""));
    return made;
  };
  const drawn = (tag, attributes = {}, ...children) => {
    const made = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...children);
    return made;
  };
  const name = (text) => element("bdi", {}, text);
  const mark = (kind) => drawn("svg", { class: "mark", viewBox: "0 0 12 12", "aria-hidden": "true" },
    drawn("use", { href: `#mark-${kind}` }));
  const percent = (share) => {
    if (share === null) return "–";
    const value = 100 * share;
    if (value > 0 && value < 0.01) return "under 0.01 %";
    if (value >= 99.95 && share < 1) return "over 99.9 %";
    if (value >= 10 || Number.isInteger(value)) return `${Number(value.toFixed(1))} %`;
    return `${Number(value.toPrecision(2))} %`;
  };
  const sureness = (probability) => percent(probability === null ? null : Math.min(probability, 0.9999));
  const range = (low, high) => (low === null || high === null ? "" : `${percent(low).replace(" %", "")} to ${percent(high)}`);
  const whole = (number) => (number === null ? "–" : number.toLocaleString("en"));
  const inTenths = (number) => Math.round(10 * number) / 10;

  /* the story of one line */
  const bar = (value, low, high, limit) => {
    const end = [0.05, 0.1, 0.2, 0.5, 1].find((step) => step >= Math.max(value, high ?? 0, (limit ?? 0) * 1.25)) ?? 1;
    const x = (share) => Math.round(1200 * Math.min(share / end, 1)) / 10;
    const picture = drawn("svg", { class: "bar", viewBox: "0 0 120 14", width: 120, height: 14, "aria-hidden": "true" },
      drawn("path", { class: "base", d: "M0 11H120M0 8v5M120 8v5" }));
    if (low !== null && high !== null) picture.append(drawn("path", { class: "range", d: `M${x(low)} 6H${Math.max(x(high), x(low) + 1)}` }));
    picture.append(drawn("path", { class: "at", d: `M${x(value)} 1v10` }));
    if (limit !== null) picture.append(drawn("path", { class: "limit", d: `M${x(limit)} 0v14` }));
    return element("span", { class: "nowrap" }, picture, element("span", { class: "soft" }, ` 0 to ${percent(end)}`));
  };
  const shareRow = (line, what, key, limit, side, unit = "") => {
    const value = raw(line, key);
    if (value === null) return null;
    const low = column[`${key}_low`] === undefined ? null : raw(line, `${key}_low`);
    const high = column[`${key}_high`] === undefined ? null : raw(line, `${key}_high`);
    const said = key === "confidence" ? sureness(value) : percent(value);
    return [what, said + unit, range(low, high), limit === null ? "" : `${side} ${percent(limit)}`, bar(value, low, high, limit)];
  };
  const numberRow = (line, what, key, limit, unit) => {
    const value = raw(line, key);
    return value === null ? null : [what, whole(inTenths(value)) + unit, "", limit, ""];
  };
  const measures = (line) => {
    const limits = data.limits;
    const rows = [
      shareRow(line, "confidence in the finding", "confidence", limits.min_confidence, "at least"),
      shareRow(line, "usable markers called", "call_rate", limits.min_call_rate, "at least", ` (${whole(raw(line, "called_markers"))})`),
      shareRow(line, "heterozygous, of called markers", "heterozygosity", limits.max_heterozygosity, "at most"),
      shareRow(line, `heterozygous, of ${whole(raw(line, "segregating_markers"))} that segregate`, "heterozygosity_segregating", null, ""),
      numberRow(line, "diagnostic markers called", "diagnostic_markers", `at least ${limits.min_diagnostic_markers}`, ""),
      shareRow(line, "inducer share of the genome", "inducer_share", limits.max_inducer_share, "at most"),
      shareRow(line, "donor share of the genome", "donor_share", null, ""),
      shareRow(line, "foreign share of the genome", "foreign_share", limits.max_foreign_share, "at most"),
      numberRow(line, "inducer segments", "inducer_segments", `none longer than ${limits.max_inducer_segment_cm} cM`, ""),
      numberRow(line, "their total length", "inducer_segment_mb", "", " Mb"),
    ].filter((row) => row !== null);
    const parents = raw(line, "parents").map(([who, share]) => `${data.pool[who]} ${percent(share)}`).join(", ");
    if (parents) rows.push(["share of each parent", parents, "", "", ""]);
    const best = pooled(line, "best_donor");
    if (best) rows.push(["donor that fits best", `${best} (fit ${percent(raw(line, "best_donor_fit"))})`, "", "", ""]);
    const heads = ["Measure", "Value", "95 % interval", "Limit", "Picture (dashed: limit)"];
    return element("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": `Measures of ${raw(line, "sample")}` },
      element("table", { class: "limits-table stack" },
        element("thead", {}, element("tr", {}, ...heads.map((text) => element("th", { scope: "col" }, text)))),
        element("tbody", {}, ...rows.map(([what, ...cells]) => element("tr", {}, element("th", { scope: "row" }, what),
          ...cells.map((cell, at) => element("td", { "data-label": heads[at + 1] }, cell)))))));
  };
  const levels = (strands) => {
    if (strands.length < 2) return strands.length ? `the line follows ${strands[0]}` : "the line shows where markers were called";
    if (strands.length === 2) return `step line up: ${strands[0]}, down: ${strands[1]}`;
    return `step line from top to bottom: ${strands.join(", ")}`;
  };
  const track = (line) => {
    const picture = raw(line, "picture");
    const stage = data.stage;
    if (!picture || !stage.chromosomes.length) return element("p", { class: "soft" }, "No picture: no marker of this line has a place on the map.");
    const [strand, ticks, steps, het, plum, foreign] = picture;
    const height = stage.chromosomes.length * stage.row;
    const middle = (stage.top + stage.bottom) / 2;
    const words = [levels(stage.strands[strand]), "halfway: not traced to one of them"];
    if (het) words.push("open boxes: heterozygous calls");
    if (plum) words.push("plum blocks: inducer alleles, full height for two copies and half for one");
    if (foreign) words.push("ochre hatching: alleles of neither donor nor inducer");
    const text = `${words.join("; ")}; dotted: nothing is known there; ticks below: markers that can tell, none where the panel is blind.`;
    const svg = drawn("svg", { class: "track", viewBox: `0 0 ${stage.left + stage.width + 60} ${height}`, role: "img", "aria-label": `Chromosomes of ${raw(line, "sample")}: ${text}` });
    let base = "";
    stage.chromosomes.forEach(([label, from, to, cm], row) => {
      const y = row * stage.row + middle;
      const title = label.length > 9 ? `${label.slice(0, 8)}…` : label;
      svg.append(drawn("text", { x: stage.left - 10, y: y + 4, "text-anchor": "end" }, title));
      svg.append(drawn("text", { x: to + 6, y: y + 4, "fill-opacity": ".7" }, `${cm} cM`));
      base += `M${from} ${y}H${to}`;
    });
    const layers = { base, ticks: stage.ticks[ticks], plum, foreign, het, steps };
    for (const [kind, path] of Object.entries(layers)) if (path) svg.append(drawn("path", { class: kind, d: path }));
    const more = stage.left_out ? ` ${stage.left_out} shorter chromosomes are not drawn.` : "";
    return element("figure", { class: "picture", tabindex: "0", role: "group", "aria-label": `Picture of ${raw(line, "sample")}` }, svg, element("figcaption", {}, text.charAt(0).toUpperCase() + text.slice(1) + more));
  };
  const pairsOf = new Map();
  data.pairs.forEach((pair) => pair.slice(0, 2).forEach((sample) => pairsOf.set(sample, [...(pairsOf.get(sample) ?? []), pair])));
  const answers = { yes: "is the same genotype as", no: "is not the same genotype as", "cannot say": "may or may not be the same genotype as" };
  const pairs = (line) => (pairsOf.get(raw(line, "sample")) ?? []).map(([one, other, declared, same, agreement, markers, suggestion]) => {
    const item = element("li", {}, name(one), ` ${answers[same]} `, name(other));
    const declaredAs = declared === "none" ? "not declared as one" : `declared: ${declared}`;
    item.append(` (${declaredAs}${agreement === null ? "" : `; they agree at ${percent(agreement)} of ${whole(markers)} markers`})`);
    if (suggestion) item.append("; fits instead: ", name(suggestion));
    item.append(".");
    return item;
  });
  const segmentsOf = new Map();
  data.segments.forEach((segment) => segmentsOf.set(segment[0], [...(segmentsOf.get(segment[0]) ?? []), segment]));
  const place = (from, to, unit) => (from === null || to === null ? "" : `, ${whole(from)} to ${whole(to)} ${unit}`);
  const segments = (line) => (segmentsOf.get(raw(line, "sample")) ?? []).map(([, chrom, cm1, cm2, bp1, bp2, origin, copies, markers, sure]) =>
    element("li", {}, `${origin}, chromosome `, name(chrom), `${place(cm1 === null ? null : inTenths(cm1), cm2 === null ? null : inTenths(cm2), "cM")}${place(bp1, bp2, "bp")}; ${copies === 2 ? "two copies" : "one copy"}, ${whole(markers)} markers, ${sureness(sure)} sure`));
  const listed = (title, items) => (items.length ? [element("h3", {}, title), element("ul", {}, ...items)] : []);
  const bench = (line) => {
    const told = [
      ["stage", pooled(line, "stage")], ["donor", pooled(line, "donor")], ["inducer", pooled(line, "inducer")],
      ["line", raw(line, "line") === raw(line, "sample") ? "" : raw(line, "line")], ["plate", pooled(line, "plate")], ["well", raw(line, "well")],
      ["descends from", raw(line, "source")], ["tissue", pooled(line, "tissue")], ["plants", String(raw(line, "plants"))],
      ["copies", raw(line, "duplicate_group")],
      ...data.extra.map((title, at) => [`${title}:`, raw(line, "extra")[at] ?? ""]),
    ].filter(([, value]) => value !== "" && value !== undefined);
    const told_ = told.flatMap(([what, value], at) => [at ? "; " : "", `${what} `, name(value)]);
    const contaminant = raw(line, "contaminant");
    const share = raw(line, "contaminant_share");
    if (contaminant) told_.push("; holds DNA of ", name(contaminant), share === null ? "" : ` (about ${percent(share)})`);
    return element("p", { class: "soft" }, ...told_, ".");
  };
  const story = (line, withReasons) => {
    const room = element("div", { class: "story" });
    const sure = raw(line, "confidence");
    if (withReasons) {
      room.append(element("p", {}, mark(verdict(line)), " ", element("b", {}, `${verdict(line)}: ${finding(line)}`), sure === null ? "" : `, ${sureness(sure)} sure. `, " ", raw(line, "reasons")));
    }
    if (flags(line).length) room.append(element("p", {}, `Flags: ${flags(line).join("; ")}.`));
    room.append(bench(line), track(line), measures(line), ...listed("Its pairs", pairs(line)), ...listed("Segments", segments(line)));
    return room;
  };

  /* piles: the story goes below the reasons */
  document.querySelectorAll("details[data-line]").forEach((details) => {
    details.addEventListener("toggle", () => {
      if (details.open && !details.querySelector(".story")) {
        details.querySelector(".measures")?.remove();
        details.append(story(Number(details.dataset.line), false));
      }
    });
  });

  const openAddressed = () => {
    const details = document.querySelector("details[data-line]:target");
    if (details) details.open = true;
  };
  window.addEventListener("hashchange", openAddressed);
  openAddressed();

  /* the table of every line */
  const room = document.getElementById("table-room");
  const body = document.querySelector("#lines-table tbody");
  const status = document.getElementById("shown");
  const moreButton = document.getElementById("more-rows");
  const well = (line) => [pooled(line, "plate"), raw(line, "well")].filter((part) => part).join(" ");
  const columns = [
    { title: "Sample", css: "w-sample", key: (line) => raw(line, "sample") },
    { title: "Verdict", css: "w-verdict", key: (line) => raw(line, "verdict"), cell: (line) => [mark(verdict(line)), ` ${verdict(line)}`] },
    { title: "Finding", css: "w-finding", key: finding, cell: (line) => [finding(line)] },
    { title: "Sure", css: "num opt", key: (line) => raw(line, "confidence"), cell: (line) => [sureness(raw(line, "confidence")).replace("over ", ">\u00a0")] },
    { title: "Donor", css: "opt", key: (line) => pooled(line, "donor"), cell: (line) => [name(pooled(line, "donor"))] },
    { title: "Plate, well", css: "opt", key: well, cell: (line) => [name(well(line))] },
    { title: "Het.", css: "num opt", key: (line) => raw(line, "heterozygosity"), cell: (line) => [percent(raw(line, "heterozygosity"))] },
    { title: "Inducer", css: "num opt", key: (line) => raw(line, "inducer_share"), cell: (line) => [percent(raw(line, "inducer_share"))] },
    { title: "Flags", css: "w-flags opt", key: (line) => flags(line).join("; "), cell: (line) => [flags(line).join("; ")] },
  ];
  const haystacks = [];
  const haystack = (line) => (haystacks[line] ??= [
    raw(line, "sample"), raw(line, "line"), finding(line), verdict(line), pooled(line, "donor"), pooled(line, "inducer"),
    well(line), raw(line, "reasons"), flags(line).join(" "), raw(line, "source"), raw(line, "duplicate_group"), raw(line, "extra").join(" "),
  ].join("\n").toLowerCase());
  const all = data.rows.map((_, line) => line);
  const collator = new Intl.Collator("en", { numeric: true });
  let chosen = all;
  let shown = 0;
  let sorted = { at: -1, down: false };
  let lineOfRow = new Map();

  const toggleStory = (row, button, line) => {
    const isOpen = button.getAttribute("aria-expanded") === "true";
    button.setAttribute("aria-expanded", String(!isOpen));
    if (isOpen) row.nextElementSibling.remove();
    else row.after(element("tr", { class: "story-row" }, element("td", { colspan: columns.length }, story(line, true))));
  };
  const rowOf = (line) => {
    const button = element("button", { type: "button", class: "open", "aria-expanded": "false" }, name(raw(line, "sample")));
    const row = element("tr", {}, element("th", { scope: "row" }, button),
      ...columns.slice(1).map((one) => element("td", { class: one.css }, ...one.cell(line))));
    button.addEventListener("click", () => toggleStory(row, button, line));
    lineOfRow.set(line, [row, button]);
    return row;
  };
  const showMore = () => {
    const next = chosen.slice(shown, shown + CHUNK);
    body.append(...next.map(rowOf));
    shown += next.length;
    const part = shown < chosen.length ? `the first ${whole(shown)} of ` : "";
    const of = chosen.length === all.length ? "" : `, of ${whole(all.length)} in all`;
    status.textContent = `Showing ${part}${whole(chosen.length)} ${chosen.length === 1 ? "row" : "rows"}${of}.`;
    moreButton.hidden = shown >= chosen.length;
  };
  const redraw = () => {
    lineOfRow = new Map();
    body.replaceChildren();
    shown = 0;
    showMore();
  };
  const compare = (one, other) => {
    if (one === null || one === "") return other === null || other === "" ? 0 : 1;
    if (other === null || other === "") return -1;
    const order = typeof one === "number" ? one - other : collator.compare(one, other);
    return sorted.down ? -order : order;
  };
  const order = () => {
    if (sorted.at < 0) return;
    const key = columns[sorted.at].key;
    const keyed = chosen.map((line) => [key(line), line]);
    keyed.sort((a, b) => compare(a[0], b[0]) || a[1] - b[1]);
    chosen = keyed.map(([, line]) => line);
  };
  const value = (id) => document.getElementById(id).value;
  const apply = () => {
    const words = value("f-text").toLowerCase().split(/\s+/).filter((word) => word);
    const want = { verdict: value("f-verdict"), finding: value("f-finding"), donor: value("f-donor"), plate: value("f-plate") };
    chosen = all.filter((line) =>
      (!want.verdict || verdict(line) === want.verdict) &&
      (!want.finding || finding(line) === want.finding) &&
      (!want.donor || `=${pooled(line, "donor")}` === want.donor) &&
      (!want.plate || `=${pooled(line, "plate")}` === want.plate) &&
      words.every((word) => haystack(line).includes(word)));
    order();
    redraw();
  };
  const options = (id, entries) => document.getElementById(id).append(element("option", { value: "" }, "all"),
    ...entries.map(([value_, text]) => element("option", { value: value_ }, text)));
  const present = (of, list) => list.filter((one) => all.some((line) => of(line) === one));
  const distinct = (key) => [...new Set(all.map((line) => pooled(line, key)))].sort(collator.compare);

  document.querySelector("#lines-table thead tr").append(...columns.map((one, at) => {
    const button = element("button", { type: "button" }, one.title);
    const head = element("th", { scope: "col", class: one.css, "aria-sort": "none" }, button);
    button.addEventListener("click", () => {
      sorted = { at, down: sorted.at === at && !sorted.down };
      head.parentElement.querySelectorAll("th").forEach((other) => other.setAttribute("aria-sort", "none"));
      head.setAttribute("aria-sort", sorted.down ? "descending" : "ascending");
      order();
      redraw();
    });
    return head;
  }));
  options("f-verdict", present(verdict, data.verdicts).map((one) => [one, `${one} (${phrases[one]})`]));
  options("f-finding", present(finding, data.findings).map((one) => [one, one]));
  options("f-donor", distinct("donor").map((one) => [`=${one}`, one || "none"]));
  options("f-plate", distinct("plate").map((one) => [`=${one}`, one || "none"]));
  const form = document.getElementById("filters");
  let waiting = 0;
  form.addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(apply, 120); });
  form.addEventListener("reset", () => setTimeout(apply));
  form.addEventListener("submit", (event) => { event.preventDefault(); apply(); });
  moreButton.addEventListener("click", showMore);
  if ("IntersectionObserver" in window) {
    new IntersectionObserver((seen) => { if (seen.some((one) => one.isIntersecting) && !moreButton.hidden && shown > CHUNK) showMore(); }).observe(moreButton);
  }
  room.hidden = false;
  redraw();
})();
