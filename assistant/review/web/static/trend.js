// Draws each trend from the figures that stand in the page; the table below it says the same in words.
"use strict";

// A canvas knows nothing of the style sheet: the page's own colours, light or dark, are asked of it.
const style = getComputedStyle(document.documentElement);
const [ink, quiet, line] = ["--ink", "--quiet", "--line"].map((name) => style.getPropertyValue(name).trim());
const grid = { grid: { stroke: line, width: 0.5 }, ticks: { stroke: line, width: 0.5 } };

for (const place of document.querySelectorAll(".trend")) {
  const { times, values, bounds, unit } = JSON.parse(place.dataset.trend);
  const lines = Object.entries(bounds);
  const dashes = { low: [8, 4], high: [8, 4], caution_low: [2, 4], caution_high: [2, 4] };
  const names = { low: "lowest", high: "highest", caution_low: "watch below", caution_high: "watch above" };
  const plot = new uPlot(
    {
      width: Math.min(place.clientWidth, 900),
      height: 220,
      padding: [12, 40, 0, 0],
      cursor: { show: false },
      legend: { show: false },
      axes: [
        { stroke: ink, values: "{YYYY}-{MM}-{DD}", space: 90, ...grid },
        { stroke: ink, label: unit, size: 60, ...grid },
      ],
      scales: { y: { range: (_, low, high) => spread([low, high, ...lines.map(([, bound]) => bound)]) } },
      series: [
        {},
        { label: unit, stroke: ink, width: 2, points: { size: 9, fill: ink } },
        ...lines.map(([name]) => ({ label: names[name], stroke: quiet, width: 1.5, dash: dashes[name], points: { show: false } })),
      ],
    },
    [times, values, ...lines.map(([, bound]) => times.map(() => bound))],
    place,
  );
  window.addEventListener("resize", () => plot.setSize({ width: Math.min(place.clientWidth, 900), height: 220 }));
}

function spread(figures) {
  const low = Math.min(...figures);
  const high = Math.max(...figures);
  const room = (high - low) / 8 || 1;
  return [low - room, high + room];
}
