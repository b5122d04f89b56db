// Figures that are no lines over time: windows, intervals, and a season of wood and work. Shape and dash tell
// what is what; colour only supports.
"use strict";

const ROW_PX = 26, HEAD_PX = 120;

function ground(colours, narrow) {
  return {
    font: { family: colours.text, size: narrow ? 12 : 14, color: colours.ink },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", dragmode: false, hovermode: "closest",
    hoverlabel: { bgcolor: colours.paper, bordercolor: colours.ink, font: { color: colours.ink } },
    legend: { orientation: "h", x: 0, xanchor: "left", y: 1.01, yanchor: "bottom" },
    margin: { l: 8, r: 12, t: 8, b: 8 },
  };
}

const scale = (colours) => ({
  fixedrange: true, gridcolor: colours.rule, linecolor: colours.ink, tickcolor: colours.ink, zeroline: false,
  showgrid: false, ticks: "outside", automargin: true,
});

// Rows from the top down; narrow screens name the instrument alone.
function rowScale(figure, colours, narrow) {
  const text = narrow ? figure.rows.map((row) => row.split(" · ")[0]) : figure.rows;
  return {
    ...scale(colours), autorange: false, range: [figure.rows.length - 0.4, -0.6], tickmode: "array",
    tickvals: text.map((_, place) => place), ticktext: text, ticks: "",
  };
}

// Stretches between two ends in each row, as one line with gaps.
function spans(lows, highs) {
  const x = [], y = [];
  lows.forEach((low, row) => {
    if (low === null || highs[row] === null) return;
    x.push(low, highs[row], null);
    y.push(row, row, null);
  });
  return { x, y };
}

function marks(figure, values, kept, words, marker, text) {
  const rows = values.map((_, row) => row).filter((row) => values[row] !== null && kept(row));
  return {
    x: rows.map((row) => values[row]), y: rows, name: words, mode: "markers", marker, hovertemplate: text, cliponaxis: false,
    customdata: rows.map((row) => figure.rows[row]),
  };
}

function windows(figure, colours, narrow) {
  const cut = figure.late.map((day) => (day === null || day > figure.last ? figure.last : day));
  const later = figure.late.map((day) => (day === null || day > figure.last ? figure.last : null));
  const middle = figure.middle.map((day) => (day === null || day > figure.last ? null : day));
  const text = "%{customdata}: %{x|%-d %b %Y}<extra>%{fullData.name}</extra>";
  const data = [
    {
      ...spans(figure.early, cut), name: figure.words.window, mode: "lines", hoverinfo: "skip",
      line: { color: colours.quiet, width: 9 },
    },
    marks(figure, middle, (row) => !figure.out[row], figure.words.middle, {
      symbol: "diamond", size: 11, color: colours.paper, line: { color: colours.ink, width: 2 },
    }, text),
    marks(figure, later, () => true, figure.words.later, {
      symbol: "triangle-right", size: 12, color: colours.quiet,
    }, text),
    marks(figure, figure.early, (row) => figure.out[row], figure.words.out, {
      symbol: "x", size: 10, color: colours.accent,
    }, text),
  ].filter((trace) => trace.x.length);
  const layout = {
    ...ground(colours, narrow), height: HEAD_PX + ROW_PX * figure.rows.length,
    xaxis: {
      ...scale(colours), type: "date", range: [figure.first, figure.last], tickformat: "%-d %b\n%Y",
      nticks: narrow ? 4 : 9, showgrid: true, griddash: "dot",
    },
    yaxis: rowScale(figure, colours, narrow),
  };
  return { data, layout };
}

function intervals(figure, colours, narrow) {
  const text = `%{customdata}: %{x:.${figure.digits}f} ${figure.unit}<extra>%{fullData.name}</extra>`;
  const circle = (fill) => ({ symbol: "circle", size: 9, color: fill, line: { color: colours.ink, width: 2 } });
  const data = [
    {
      ...spans(figure.usual_low, figure.usual_high), name: figure.words.usual, mode: "lines",
      hoverinfo: "skip", line: { color: colours.wash, width: 15 },
    },
    {
      ...spans(figure.low, figure.high), name: figure.words.learned, mode: "lines", hoverinfo: "skip",
      line: { color: colours.ink, width: 2.5 }, showlegend: false,
    },
    marks(figure, figure.mean, (row) => !figure.few[row], figure.words.learned, circle(colours.ink), text),
    marks(figure, figure.mean, (row) => figure.few[row], figure.words.few, circle(colours.paper), text),
  ].filter((trace) => trace.x.length);
  const layout = {
    ...ground(colours, narrow), height: HEAD_PX + ROW_PX * figure.rows.length,
    xaxis: {
      ...scale(colours), rangemode: "tozero", nticks: narrow ? 4 : 9, showgrid: true, griddash: "dot",
      title: { text: `${figure.unit} ${figure.axis}`, standoff: 8 },
    },
    yaxis: rowScale(figure, colours, narrow),
  };
  return { data, layout };
}

const fills = ["", "/", ".", "x", "|", "-", "+"];

function season(figure, colours, narrow) {
  const known = (wanted) => figure.moisture.map((value, n) => {
    const before = n > 0 && figure.measured[n - 1];
    return figure.measured[n] === wanted || (!wanted && before) ? value : null;
  });
  const hover = "%{x|%-d %b %Y}: %{y:.2f} %<extra>%{fullData.name}</extra>";
  const data = [
    {
      x: [...figure.x, ...figure.x.toReversed()], y: [...figure.high, ...figure.low.toReversed()],
      name: figure.words.band, mode: "lines", line: { width: 0 }, fill: "toself", fillcolor: colours.wash,
      hoverinfo: "skip", yaxis: "y2",
    },
    {
      x: figure.x, y: known(true), name: figure.words.measured, mode: "lines", yaxis: "y2",
      line: { color: colours.ink, width: 2.2 }, hovertemplate: hover, connectgaps: false,
    },
    {
      x: figure.x, y: known(false), name: figure.words.expected, mode: "lines", yaxis: "y2",
      line: { color: colours.ink, width: 2, dash: "dot" }, hovertemplate: hover, connectgaps: false,
    },
    ...figure.kinds.map((kind, n) => ({
      type: "bar", x: figure.x, y: figure.work[n], name: kind, xperiod: 604_800_000, xperiodalignment: "middle",
      marker: {
        color: n % 2 ? colours.accent : colours.quiet, line: { color: colours.paper, width: 0.5 },
        pattern: { shape: fills[n % fills.length], fgcolor: colours.paper, size: 6, fillmode: "overlay" },
      },
      hovertemplate: `%{x|%-d %b %Y}: %{y} h<extra>${kind}</extra>`,
    })),
    {
      x: figure.x, y: figure.planned_then, name: figure.words.planned_then, mode: "markers",
      marker: { symbol: "line-ew-open", size: 9, color: colours.ink, line: { width: 2 } },
      hovertemplate: "%{x|%-d %b %Y}: %{y} h<extra>%{fullData.name}</extra>",
    },
  ].filter((trace) => trace.y.some((value) => value !== null));
  const now = figure.first <= figure.today && figure.today <= figure.last;
  const layout = {
    ...ground(colours, narrow), height: narrow ? 620 : 560, barmode: "stack", bargap: 0.15,
    legend: { orientation: "h", x: 0, xanchor: "left", y: -0.12, yanchor: "top", traceorder: "normal" },
    xaxis: {
      ...scale(colours), type: "date", range: [figure.first, figure.last], tickformat: "%b\n%Y", anchor: "y",
      nticks: narrow ? 5 : 13,
    },
    yaxis: { ...scale(colours), domain: [0, 0.46], rangemode: "tozero", title: { text: `${figure.words.hours} [h]`, standoff: 6 } },
    yaxis2: { ...scale(colours), domain: [0.54, 1], title: { text: `${figure.words.moisture} [%]`, standoff: 6 }, anchor: "x" },
    shapes: now ? [{
      type: "line", x0: figure.today, x1: figure.today, yref: "paper", y0: 0, y1: 1,
      line: { color: colours.accent, width: 1.5 },
    }] : [],
    annotations: now ? [{
      x: figure.today, y: 1, yref: "paper", yanchor: "bottom", showarrow: false, text: "today",
      font: { color: colours.accent, size: narrow ? 12 : 13 },
    }] : [],
    margin: { l: 8, r: 12, t: 22, b: 8 },
  };
  return { data, layout };
}

const figureForms = { windows, intervals, season };
