// Shows one run as it is sent. Text goes in as text, never as markup. The one thing this page can
// send is the wish to have power off.
"use strict";
(() => {
  const by = (id) => document.getElementById(id);
  const may = document.body.dataset.may === "off";
  const off = by("off");
  let view = null, over = false, points = [], marks = [], heardMs = 0, asked = false;

  const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
  const show = (node, text) => { put(node, text); node.hidden = !text; };
  const made = (name, text, kind) => {
    const node = document.createElement(name);
    if (text !== undefined) node.textContent = text;
    if (kind) node.className = kind;
    return node;
  };

  // --- power off

  const press = () => {
    asked = true;
    put(off, "Asked for");
    fetch("off", { method: "POST", cache: "no-store" }).then((answer) => {
      if (!answer.ok) throw new Error(String(answer.status));
    }).catch(() => {
      asked = false;
      put(off, "Power off");
      alarm("This page could not ask for power off. Use a key or Ctrl-C where the run goes on, or the supply's own switch.");
    });
  };
  if (may) {
    off.hidden = false;
    off.addEventListener("click", press);
  } else {
    by("look").hidden = false;
  }
  const alarm = (text) => show(by("alarm"), text);

  // --- words and figures

  const bar = (frac, limit) => {
    const wrap = made("div", undefined, "bar");
    const drawn = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    drawn.setAttribute("viewBox", "0 0 100 1");
    drawn.setAttribute("preserveAspectRatio", "none");
    drawn.setAttribute("aria-hidden", "true");
    const box = (kind, x, width) => {
      const rect = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      rect.setAttribute("class", kind);
      rect.setAttribute("x", String(x));
      rect.setAttribute("width", String(width));
      rect.setAttribute("height", "1");
      drawn.append(rect);
    };
    box("fill", 0, 100 * Math.min(Math.max(frac, 0), 1));
    if (limit !== null) box("mark", Math.min(100 * limit, 99), 1);
    wrap.append(drawn);
    return wrap;
  };

  const gauges = () => {
    const list = by("gauges");
    list.hidden = Boolean(view.ending);
    if (view.ending) return;
    const parts = [];
    const row = (name, figure, frac, limit, bounds) => {
      parts.push(made("dt", name), made("dd", figure, "figure"));
      const drawn = made("dd", undefined, "drawn");
      if (frac !== null) drawn.append(bar(frac, limit));
      if (bounds) drawn.append(made("div", bounds, "bounds"));
      parts.push(drawn);
    };
    for (const one of view.gauges) {
      const most = one.bound || one.limit;
      const words = [];
      if (one.limit_text) words.push(`${one.name === "voltage" ? "set" : "limit"} ${one.limit_text}`);
      if (one.bound_text) words.push(`envelope ${one.bound_text}`);
      const limit = one.limit === null || !most ? null : one.limit / most;
      row(one.name, one.text, most ? (one.value || 0) / most : null, limit, words.join(", "));
    }
    if (view.allowance_frac !== null)
      row("allowance", `${Math.round(100 * view.allowance_frac)} %`, view.allowance_frac, null, "used");
    if (view.held_frac !== null)
      row("hold", `${Math.round(100 * view.held_frac)} %`, view.held_frac, null, view.held_text);
    for (const [name, figure] of view.others) row(name, figure, null, null, "");
    if (view.age_text) row("last reading", view.age_text, null, null, "");
    list.replaceChildren(...parts);
  };

  let drawnPlan = "", drawnChecks = "", drawnFigures = "", drawnNews = "", drawnExplained = "";
  const lists = () => {
    const plan = JSON.stringify(view.plan);
    if (plan !== drawnPlan) {
      drawnPlan = plan;
      by("plan").replaceChildren(...view.plan.map((step) => {
        const item = made("li", `${step.name}: ${step.state}`, step.state);
        const levels = made("ol");
        for (const level of step.levels)
          levels.append(made("li", `${level.label}: ${level.text} (${level.state})`, level.state));
        item.append(levels);
        return item;
      }));
    }
    const checks = JSON.stringify(view.checks);
    if (checks !== drawnChecks) {
      drawnChecks = checks;
      by("no-checks").hidden = view.checks.length > 0;
      by("checks").replaceChildren(...[...view.checks].reverse().map((check) => {
        const row = made("tr");
        row.append(made("td", check.verdict, check.verdict), made("td", `${check.name} (${check.step})`),
          made("td", check.found), made("td", check.wanted));
        return row;
      }));
    }
    const figures = JSON.stringify(view.figures);
    if (figures !== drawnFigures) {
      drawnFigures = figures;
      by("figures-card").hidden = view.figures.length === 0;
      by("figures").replaceChildren(...view.figures.flatMap((one) => {
        const row = made("tr"), from = one.of === "start" ? "" : `, by the ${one.of}`;
        row.append(made("td", one.name + from));
        if (one.found) {
          row.append(made("td", one.found, "figure"), made("td", one.nameplate || "-"),
            made("td", one.earlier[0] || "-"));
        } else {
          const why = made("td", `none: ${one.why_not}`);
          why.colSpan = 3;
          row.append(why);
        }
        if (!one.by_level) return [row];
        const levels = made("td", one.by_level, "levels"), below = made("tr");
        levels.colSpan = 4;
        below.append(levels);
        return [row, below];
      }));
    }
    const told = JSON.stringify(view.explained);
    if (told !== drawnExplained) {
      drawnExplained = told;
      explain(view.explained);
    }
    const news = JSON.stringify(view.news);
    if (news !== drawnNews) {
      drawnNews = news;
      by("news").replaceChildren(...[...view.news].reverse().map((one) => {
        const item = made("li");
        item.append(made("b", `${one.time_s.toFixed(1)} s`), ` ${one.words}`);
        return item;
      }));
    }
  };

  const further = (told) => {
    if (told.no_steps) return [made("p", `No step under power is proposed: ${told.no_steps}.`)];
    if (!told.steps.length) return [];
    return [made("p", "Under power, once nothing cold is left to measure, each by a profile of its own:"),
      ...told.steps.flatMap((one) => {
        const list = made("ul");
        list.append(...one.expected.map((line) => made("li", line)));
        return [made("p", `${one.name}: ${one.how}`), list];
      })];
  };

  const explain = (told) => {
    by("explained-card").hidden = !told;
    if (!told) return;
    put(by("explained-headline"), told.headline);
    show(by("explained-remark"), told.remark);
    by("suspects").replaceChildren(...told.suspects.slice(0, told.remark ? 0 : 3).map((one) => {
      const row = made("tr"), words = made("td", one.words);
      const more = [one.degree, one.look_at && `look at: ${one.look_at}`,
        ...one.supporting.map((line) => `for: ${line}`), ...one.against.map((line) => `against: ${line}`),
        one.shown_by && `shown by: ${one.shown_by}`];
      for (const line of more.filter(Boolean)) words.append(made("div", line, "bounds"));
      row.append(made("td", one.chance), words);
      return row;
    }));
    by("suspects").closest(".wide").hidden = Boolean(told.remark);
    show(by("beside"), told.beside);
    show(by("not-seen"), told.hidden);
    show(by("pushes"), told.pushes.join(". "));
    const next = told.measure, prove = told.prove && `Before anybody acts on it: ${told.prove}`;
    show(by("measure"), next ? `Measure next, discharged and cold: ${next.name}, ${next.how}` : prove);
    by("expected").replaceChildren(...(next ? next.expected : []).map((line) => made("li", line)));
    by("further").replaceChildren(...(told.remark ? [] : further(told)));
    put(by("explained-caution"), told.caution);
    put(by("explained-library"), told.library);
  };

  const words = () => {
    by("head").dataset.power = view.power;
    put(by("power"), view.power_words);
    put(by("unit"), [view.serial, view.title, view.operator].filter(Boolean).join(", "));
    document.title = `${view.power_words}: ${view.serial}`;
    const level = view.step.endsWith(`, ${view.level}`) ? "" : view.level;
    put(by("step"), [view.step, level, view.elapsed_text].filter(Boolean).join(", "));
    put(by("doing"), view.doing);
    put(by("why"), view.why || view.cannot_release);
    show(by("question"), view.question && `Asked at the bench: ${view.question}`);
    put(by("left"), view.left_text);
    alarm(view.ending ? "" : view.problem || view.trip);
    by("ending").hidden = !view.ending;
    if (view.ending) {
      by("word").className = view.ending.mark;
      put(by("word"), view.ending.word);
      put(by("reason"), [view.ending.beneath, view.ending.reason].filter(Boolean).join("; "));
    }
    if (may) {
      off.disabled = over;
      if (over || (view.power === "off" && asked)) { asked = false; put(off, over ? "Run is over" : "Power off"); }
    }
  };

  // --- the fitted curve over the readings

  let drawnFits = "";
  const fits = (told) => {
    const text = JSON.stringify(told);
    if (text === drawnFits) return;
    drawnFits = text;
    by("fits").replaceChildren(...told.map((one) => {
      const figure = made("figure"), drawing = made("img", undefined, "fit");
      drawing.src = `fit-${one.of}.svg?${one.levels.length}`;
      drawing.alt = `Fit of the ${one.of}: ${one.levels.join(" ")}`;
      const caption = made("figcaption", one.key, "key");
      figure.append(drawing, caption);
      return figure;
    }));
  };

  // --- plots

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const ticks = (most, count) => {
    const raw = most / count, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((factor) => factor * power).find((one) => one >= raw);
    const found = [];
    for (let value = 0; value <= most * 1.0001; value += step) found.push(Number(value.toPrecision(6)));
    return found;
  };

  const plot = (id, place, gauge, limitOf) => {
    const canvas = by(id), wide = canvas.clientWidth, high = canvas.clientHeight;
    if (!wide) return;
    const dense = window.devicePixelRatio || 1;
    if (canvas.width !== Math.round(wide * dense)) canvas.width = Math.round(wide * dense);
    if (canvas.height !== Math.round(high * dense)) canvas.height = Math.round(high * dense);
    const pen = canvas.getContext("2d");
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    pen.clearRect(0, 0, wide, high);
    const left = 52, right = wide - 8, top = 36, bottom = high - 24;
    let highest = 0, lastS = 1;
    for (const point of points) {
      if (point[place + 1] !== null) highest = Math.max(highest, point[place + 1]);
      lastS = Math.max(lastS, point[0]);
    }
    for (const mark of marks) lastS = Math.max(lastS, mark.at);
    const limits = marks.map(limitOf).filter((one) => one !== null);
    const near = gauge.bound && gauge.bound <= 4 * Math.max(highest, ...limits, 0);
    const most = 1.08 * (Math.max(highest, ...limits, near ? gauge.bound : 0) || 1);
    const x = (time) => left + (time / (lastS * 1.02)) * (right - left);
    const y = (value) => bottom - (Math.max(value, 0) / most) * (bottom - top);
    pen.font = "12px 'Segoe UI', 'Noto Sans', Arial, sans-serif";
    // bands of the steps, every other one shaded
    const steps = marks.filter((mark) => mark.kind === "step");
    steps.forEach((step, number) => {
      const end = number + 1 < steps.length ? steps[number + 1].at : lastS * 1.02;
      if (number % 2 === 0) {
        pen.fillStyle = colour("--band");
        pen.fillRect(x(step.at), top, x(end) - x(step.at), bottom - top);
      }
      const room = x(end) - x(step.at) - 6;
      pen.fillStyle = colour("--soft");
      if (pen.measureText(step.name).width < room) pen.fillText(step.name, x(step.at) + 3, top - 6);
    });
    pen.strokeStyle = colour("--rule");
    pen.fillStyle = colour("--soft");
    pen.lineWidth = 1;
    const small = most < 0.95 ? 1e-3 : 1;
    for (const value of ticks(most / small, 4)) {
      const at = y(value * small);
      pen.beginPath(); pen.moveTo(left, at); pen.lineTo(right, at); pen.stroke();
      pen.textAlign = "right"; pen.fillText(String(value), left - 6, at + 4);
    }
    pen.textAlign = "center";
    const scale = lastS >= 300 ? 60 : 1;
    for (const value of ticks((lastS * 1.02) / scale, Math.max(Math.floor(wide / 110), 2)))
      pen.fillText(`${value} ${scale > 1 ? "min" : "s"}`, x(value * scale), bottom + 16);
    pen.textAlign = "left";
    const unit = `${small < 1 ? "m" : ""}${gauge.unit}`;
    const far = gauge.bound && !near ? `, envelope ${gauge.bound_text} above the plot` : "";
    pen.fillStyle = colour("--ink");
    pen.fillText(`${gauge.name} in ${unit}${far}`, left, 12);
    // what is set, level by level
    pen.setLineDash([6, 4]); pen.strokeStyle = colour("--set"); pen.lineWidth = 1.5; pen.beginPath();
    let set = null;
    for (const mark of marks) {
      const limit = mark.kind === "power off" || mark.kind === "trip" ? undefined : limitOf(mark);
      if (limit === null) continue;
      if (set !== null) pen.lineTo(x(mark.at), y(set));
      set = limit === undefined ? null : limit;
      if (set !== null) pen.moveTo(x(mark.at), y(set));
    }
    if (set !== null) pen.lineTo(x(lastS), y(set));
    pen.stroke();
    if (near) {
      pen.setLineDash([2, 3]); pen.strokeStyle = colour("--bound"); pen.lineWidth = 2; pen.beginPath();
      pen.moveTo(left, y(gauge.bound)); pen.lineTo(right, y(gauge.bound)); pen.stroke();
    }
    pen.setLineDash([]); pen.strokeStyle = colour("--line"); pen.lineWidth = 1.8; pen.beginPath();
    let joined = false;
    for (const point of points) {
      if (point[place] === null) { joined = false; continue; }
      if (joined) pen.lineTo(x(point[0]), y(point[place])); else pen.moveTo(x(point[0]), y(point[place]));
      pen.lineTo(x(point[0]), y(point[place + 1]) - 0.01);
      joined = true;
    }
    pen.stroke();
    for (const mark of marks.filter((one) => one.kind === "trip")) {
      pen.strokeStyle = colour("--fail"); pen.lineWidth = 3; pen.beginPath();
      pen.moveTo(x(mark.at), top); pen.lineTo(x(mark.at), bottom); pen.stroke();
      pen.fillStyle = colour("--fail"); pen.textAlign = "right";
      pen.fillText(`cut at ${mark.at.toFixed(2)} s`, x(mark.at) - 5, top + 26); pen.textAlign = "left";
    }
    canvas.setAttribute("aria-label", `${gauge.name} against time, now ${gauge.text}`
      + (gauge.limit_text ? `, set or limit ${gauge.limit_text}` : "")
      + (gauge.bound_text ? `, envelope ${gauge.bound_text}` : ""));
  };

  let drawing = false;
  const draw = () => {
    if (drawing || !view) return;
    drawing = true;
    requestAnimationFrame(() => {
      drawing = false;
      // several steps have levels of one name: of those that have begun the latest is meant
      const begun = new Map(), levels = new Map();
      for (const mark of marks) {
        const step = mark.kind === "step" ? view.plan.find((one) => one.name === mark.name) : undefined;
        for (const level of step?.levels ?? []) begun.set(level.label, level);
        if (mark.kind === "level") levels.set(mark, begun.get(mark.name));
      }
      const of = (key) => (mark) => {
        const level = levels.get(mark);
        return level === undefined ? null : level[key];
      };
      plot("voltage", 1, view.gauges[0], of("voltage_v"));
      plot("current", 3, view.gauges[1], of("current_limit_a"));
    });
  };
  new ResizeObserver(draw).observe(by("voltage"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);

  // --- what is sent

  const lose = () => {
    if (over) return;
    by("head").dataset.power = "unknown";
    put(by("power"), "POWER NOT KNOWN: LOOK AT THE SUPPLY");
    document.title = "POWER NOT KNOWN";
    const since = heardMs ? ` since ${new Date(heardMs).toTimeString().slice(0, 8)}` : "";
    alarm(`Nothing has come from the run${since}. What stands below is old. The run may go on: see where it was started.`);
  };
  const source = new EventSource("events");
  source.onmessage = (message) => {
    const told = JSON.parse(message.data);
    heardMs = Date.now();
    view = told.view;
    points.splice(told.plot.from, Infinity, ...told.plot.points);
    if (told.plot.mark === 0) marks = [];
    marks.splice(told.plot.mark, Infinity, ...told.plot.marks);
    if (view.ending) over = true;
    if (told.plot.last) source.close();
    words(); gauges(); lists(); fits(told.plot.fits); draw();
  };
  source.onerror = lose;
  setInterval(() => { if (heardMs && Date.now() - heardMs > 4000) lose(); }, 1000);
})();
