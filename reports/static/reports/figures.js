// Draws the figures of a page from what the server says they hold, in the colours of the page.
"use strict";

const config = { displayModeBar: false, responsive: true, scrollZoom: false, locale: "en" };

// The legend is placed in shares of the plot, its distance from the axis is meant in pixels.
const AXIS_LABELS_PX = 48, PLOT_SHARE = 0.62;

function ink() {
  const page = getComputedStyle(document.documentElement);
  const read = (name) => page.getPropertyValue(name).trim();
  return {
    paper: read("--paper"), ink: read("--ink"), quiet: read("--quiet"), rule: read("--rule"),
    wash: read("--wash"), accent: read("--accent"), text: read("--text"),
  };
}

function hover(figure) {
  return `%{y:.${figure.digits}f} ${figure.unit}<extra>%{fullData.name}</extra>`;
}

// The outline of a band, stretch by stretch, so that a gap in the record stays a gap in the picture.
function band(series, colours) {
  const x = [], y = [];
  for (const [from, until] of stretches(series)) {
    const days = series.x.slice(from, until);
    x.push(...days, ...days.toReversed(), null);
    y.push(...series.y.slice(from, until), ...series.low.slice(from, until).toReversed(), null);
  }
  return [{
    x, y, name: series.name, mode: "lines", line: { width: 0 }, fill: "toself", fillcolor: colours.wash,
    hoverinfo: "skip", connectgaps: false,
  }];
}

function stretches(series) {
  const found = [];
  let from = null;
  for (let place = 0; place <= series.x.length; place += 1) {
    const known = place < series.x.length && series.y[place] !== null && series.low[place] !== null;
    if (known && from === null) from = place;
    if (!known && from !== null) {
      found.push([from, place]);
      from = null;
    }
  }
  return found;
}

const strokes = {
  mean: (colours) => ({ color: colours.ink, width: 2.2 }),
  second: (colours) => ({ color: colours.quiet, width: 2, dash: "dash" }),
  third: (colours) => ({ color: colours.accent, width: 2, dash: "dot" }),
  tolerance: (colours) => ({ color: colours.accent, width: 1.8, dash: "longdash" }),
};

function lines(figure, series, colours) {
  return [{
    x: series.x, y: series.y, name: series.name, showlegend: series.name !== "", mode: "lines",
    line: strokes[series.role](colours), connectgaps: false,
    hovertemplate: series.role === "tolerance" ? undefined : hover(figure),
    hoverinfo: series.role === "tolerance" ? "skip" : undefined,
  }];
}

// Groups are told apart by dash and mark; colour only supports.
const groupDashes = ["dash", "dot", "dashdot", "longdash", "longdashdot", "solid"];
const groupMarks = ["circle", "square-open", "triangle-up", "diamond-open", "cross", "triangle-down-open"];

function group(figure, series, colours) {
  const place = figure.series.filter((one) => one.role === "group").indexOf(series);
  const colour = place % 2 ? colours.accent : colours.quiet;
  return [{
    x: series.x, y: series.y, name: series.name, mode: "lines+markers", connectgaps: false,
    line: { color: colour, width: 1.6, dash: groupDashes[place % groupDashes.length] },
    marker: { symbol: groupMarks[place % groupMarks.length], size: 8, color: colour, maxdisplayed: 9 },
    hovertemplate: hover(figure),
  }];
}

function points(figure, series, colours) {
  return [{
    x: series.x, y: series.y, name: series.name, mode: "markers", hovertemplate: hover(figure),
    marker: { symbol: "diamond", size: 9, color: colours.paper, line: { color: colours.ink, width: 1.8 } },
  }];
}

function traces(figure, colours) {
  return figure.series.filter((one) => one.x.length).flatMap((one) => {
    if (one.role === "band") return band(one, colours);
    if (one.role === "group") return group(figure, one, colours);
    return one.role === "found" ? points(figure, one, colours) : lines(figure, one, colours);
  });
}

// Months name a year's ticks; within a few weeks the same month would stand under each of them.
function dates(figure) {
  const days = (Date.parse(figure.last) - Date.parse(figure.first)) / 86_400_000;
  return days < 75 ? "%-d %b\n%Y" : "%b\n%Y";
}

function layout(figure, colours, narrow, height) {
  const axis = {
    fixedrange: true, gridcolor: colours.rule, linecolor: colours.ink, tickcolor: colours.ink,
    zeroline: false, showgrid: false, ticks: "outside", automargin: true,
  };
  return {
    font: { family: colours.text, size: narrow ? 13 : 15, color: colours.ink },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    margin: { l: 8, r: 12, t: 14, b: 8 }, dragmode: false, hovermode: narrow ? "closest" : "x",
    hoverlabel: { bgcolor: colours.paper, bordercolor: colours.ink, font: { color: colours.ink } },
    legend: { orientation: "h", x: 0, xanchor: "left", y: -AXIS_LABELS_PX / (PLOT_SHARE * height), yanchor: "top" },
    xaxis: { ...axis, type: "date", range: [figure.first, figure.last], tickformat: dates(figure), nticks: narrow ? 5 : 10 },
    yaxis: {
      ...axis, showgrid: true, griddash: "dot", nticks: 6, rangemode: figure.from_zero ? "tozero" : "normal",
      title: { text: `${figure.axis} [${figure.unit}]`, standoff: 6 },
    },
    shapes: [{
      type: "line", x0: figure.today, x1: figure.today, yref: "paper", y0: 0, y1: 1,
      line: { color: colours.accent, width: 1.5 },
    }],
    annotations: [{
      x: figure.today, y: 1, yref: "paper", yanchor: "bottom", showarrow: false, text: "today",
      xanchor: figure.today === figure.last ? "right" : "center",
      font: { color: colours.accent, size: narrow ? 12 : 13 },
    }],
  };
}

function draw(place, figure) {
  const colours = ink();
  if (figure.form) {
    const { data, layout } = figureForms[figure.form](figure, colours, place.clientWidth < 520);
    place.classList.toggle("tall", "height" in layout);
    return Plotly.react(place, data, layout, config);
  }
  return Plotly.react(place, traces(figure, colours), layout(figure, colours, place.clientWidth < 520, place.clientHeight), config);
}

async function fetchAndDraw(place) {
  const answer = await fetch(place.dataset.figure, { headers: { Accept: "application/json" } });
  if (!answer.ok) {
    place.textContent = "This figure could not be fetched; its numbers stand in the table.";
    return;
  }
  const figure = await answer.json();
  await draw(place, figure);
  for (const change of ["(prefers-color-scheme: dark)", "print"]) {
    matchMedia(change).addEventListener("change", () => draw(place, figure));
  }
}

function drawAll(within) {
  for (const place of within.querySelectorAll("[data-figure]:not([data-drawn])")) {
    place.dataset.drawn = "";
    fetchAndDraw(place);
  }
}

drawAll(document);
document.addEventListener("htmx:load", (event) => drawAll(event.target));
