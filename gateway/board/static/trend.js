/* Charts of a unit's readings, one below the other over one axis of time: least and greatest of each
   window as a band, the mean as a line, alarms as bands from raising to end, cleanings as marks. */
"use strict";
(() => {
  const place = document.getElementById("trend");
  if (!place || typeof uPlot === "undefined") return;
  const zone = place.dataset.zone;
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const shape = { high: "▲", medium: "◆", low: "●", "": "○" };
  const show = (value, decimals) => value === null || value === undefined ? "–" : value.toFixed(decimals);
  const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, dateStyle: "medium", timeStyle: "short" });
  const part = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options });
  const [hour, day, month] = [
    part({ hour: "2-digit", minute: "2-digit" }), part({ day: "numeric", month: "short" }),
    part({ month: "short", year: "numeric" })];
  const ticks = (_u, splits, _axis, _space, step) => splits.map((s) => {
    const at = new Date(s * 1000);
    if (step >= 28 * 86400) return month.format(at);
    const time = hour.format(at);
    return step >= 86400 || time === "00:00" || time === "24:00" ? day.format(at) : time;
  });
  const when = (s) => clock.format(new Date(s * 1000));
  let charts = [];

  const element = (name, text, className) => {
    const made = document.createElement(name);
    if (text) made.textContent = text;
    if (className) made.className = className;
    return made;
  };

  const marks = (data) => (u) => {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    const ratio = devicePixelRatio || 1;
    for (const mark of data.marks) {
      const from = u.valToPos(Math.max(mark.start, data.start), "x", true);
      if (mark.kind === "cleaning") {
        ctx.strokeStyle = colour("focus");
        ctx.lineWidth = 1.5 * ratio;
        ctx.setLineDash([4 * ratio, 3 * ratio]);
        ctx.beginPath();
        ctx.moveTo(from, bbox.top);
        ctx.lineTo(from, bbox.top + bbox.height);
        ctx.stroke();
        ctx.setLineDash([]);
        continue;
      }
      const to = u.valToPos(mark.end === null ? data.end : Math.min(mark.end, data.end), "x", true);
      const tint = colour(mark.priority || "edge");
      // A strip, not a flood: the readings themselves stay on a calm ground.
      ctx.fillStyle = tint;
      ctx.fillRect(from, bbox.top, Math.max(to - from, 2 * ratio), 4 * ratio);
      ctx.font = `${11 * ratio}px system-ui, sans-serif`;
      ctx.fillText(shape[mark.priority], from + 2 * ratio, bbox.top + 15 * ratio);
    }
    ctx.restore();
  };

  const chart = (data, line, sync, isLast) => {
    const box = element("div", "", "chart");
    const head = element("h3", line.title + (line.unit ? ` [${line.unit}]` : ""));
    const now = element("span");
    head.append(now);
    box.append(head);
    place.append(box);
    const banded = line.low.length > 0;
    const ink = colour("ink");
    const soft = colour("soft");
    const known = line.values.filter((v) => v !== null);
    const rest = known.length
      ? `least ${show(Math.min(...(banded ? line.low.filter((v) => v !== null) : known)), line.decimals)}, greatest ${show(Math.max(...(banded ? line.high.filter((v) => v !== null) : known)), line.decimals)}, last ${show(known[known.length - 1], line.decimals)}`
      : "no readings";
    now.textContent = rest;
    const series = [{}];
    const columns = [data.time];
    if (banded) {
      series.push({ stroke: "transparent", points: { show: false } }, { stroke: "transparent", points: { show: false } });
      columns.push(line.high, line.low);
    }
    series.push({ stroke: ink, width: 1.25, points: { show: false }, paths: line.flag ? uPlot.paths.stepped({ align: 1 }) : undefined });
    columns.push(line.values);
    const axis = { stroke: soft, font: "12px system-ui, sans-serif", grid: { stroke: colour("rule"), width: 1 }, ticks: { show: false } };
    const options = {
      width: Math.max(place.clientWidth - 20, 240),
      height: isLast ? 132 : 112,
      tzDate: (s) => uPlot.tzDate(new Date(s * 1000), zone),
      legend: { show: false },
      cursor: { sync: { key: sync }, y: false, points: { size: 5 }, drag: { x: true, y: false } },
      scales: { x: { min: data.start, max: data.end, time: true } },
      axes: [{ ...axis, size: isLast ? 30 : 6, space: 64, values: isLast ? ticks : () => [] }, { ...axis, size: 62 }],
      series,
      bands: banded ? [{ series: [1, 2], fill: `color-mix(in srgb, ${colour("edge")} 40%, transparent)` }] : [],
      hooks: {
        drawClear: [marks(data)],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          now.textContent = i === null || i === undefined || data.time[i] === undefined ? rest
            : `${when(data.time[i])}: ${show(line.values[i], line.decimals)}${banded && line.low[i] !== null ? ` (${show(line.low[i], line.decimals)} to ${show(line.high[i], line.decimals)})` : ""}`;
        }],
      },
    };
    return new uPlot(options, columns, box);
  };

  const draw = (data) => {
    for (const one of charts) one.destroy();
    place.replaceChildren();
    if (!data.time.length) {
      place.append(element("p", "No readings in this time.", "empty"));
      charts = [];
      return;
    }
    const some = data.lines.filter((line) => line.values.some((v) => v !== null));
    charts = some.map((line, i) => chart(data, line, "unit", i === some.length - 1));
    const none = data.lines.filter((line) => !some.includes(line)).map((line) => line.title.toLowerCase());
    if (none.length) place.append(element("p", `No readings in this time: ${none.join(", ")}.`, "soft"));
    place.append(element("p", data.width
      ? `Means of ${data.width >= 86400 ? `${(data.width / 86400).toFixed(1)} days` : data.width >= 3600 ? `${(data.width / 3600).toFixed(1)} h` : `${data.width / 60} min`}, with the least and the greatest value shaded. Times of the site (${zone}).`
      : `Single readings. Times of the site (${zone}).`, "soft"));
    if (data.marks.length) {
      const list = element("ul", "", "marks");
      list.setAttribute("aria-label", "What happened");
      for (const mark of data.marks) {
        const text = mark.kind === "cleaning" ? `┆ ${mark.title}, ${when(mark.start)} ${mark.note}`
          : `${shape[mark.priority]} ${mark.title}, ${mark.priority || "no"} priority: ${when(mark.start)} to ${mark.end === null ? "now" : when(mark.end)}`;
        list.append(element("li", text));
      }
      place.append(list);
    }
  };

  let last = null;
  const load = async (asks = place.dataset.from) => {
    try {
      const answer = await fetch(asks, { credentials: "same-origin" });
      const data = await answer.json();
      if (data.trouble) { place.replaceChildren(element("p", data.trouble, "warn")); return; }
      last = data;
      draw(data);
    } catch {
      if (!last) place.replaceChildren(element("p", "The readings could not be loaded.", "warn"));
    }
  };
  load();
  let width = place.clientWidth;
  new ResizeObserver(() => {
    if (last && Math.abs(place.clientWidth - width) > 4) { width = place.clientWidth; draw(last); }
  }).observe(place);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => last && draw(last));
  if (place.dataset.follow === "yes") setInterval(() => { if (!document.hidden) load(`${place.dataset.from}&part=live`); }, 60000);
})();
