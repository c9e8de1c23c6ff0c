// The charts of a report: they zoom together by pulling across one; what is drawn on paper stands beside them in the page.
import { reach, setpoints } from "./setpoints.js";

const told = JSON.parse(document.getElementById("data").textContent);
const times = told.after_ms.map((ms) => (told.begin_ms + ms) / 1000);
const place = document.getElementById("live");
const hours = new Intl.DateTimeFormat("sv", { timeZone: told.zone, hour: "2-digit", minute: "2-digit", second: "2-digit" });
const clock = (s) => `${hours.format(s * 1000)}.${Math.floor((s * 10) % 10)}`;
const ends = { min: times[0], max: times[times.length - 1] };
let plots = [];

function zoom(min, max) {
  for (const plot of plots) plot.batch(() => {
    plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    plot.setScale("x", { min, max });
  });
}

function chart(line, wide) {
  return new uPlot({
    title: line.unit === "1" ? line.title : `${line.title}, ${line.unit}`,
    width: wide, height: 170,
    cursor: { sync: { key: "report" }, drag: { x: true, y: false, setScale: false } },
    scales: { x: { time: true, auto: false, ...ends }, y: { range: (plot, least, most) => reach(uPlot, line.limits, plot.scales.x, least, most) } },
    axes: [{ size: 30, values: (_, splits) => splits.map((s) => clock(s).slice(0, 8)) }, { size: 64 }],
    series: [
      { label: told.zone, value: (_, s) => (s === null ? "--" : clock(s)) },
      { label: told.words["least-of"], stroke: "#1d4f73", width: 1 }, { label: told.words["most-of"], stroke: "#111111", width: 1 },
    ],
    bands: [{ series: [2, 1], fill: "#1d4f7355" }],
    hooks: { draw: [(plot) => setpoints(uPlot, plot, line.limits, ["#aa0000", "#111111"])], setSelect: [(plot) => {
      const { left, width } = plot.select;
      if (width > 2) zoom(plot.posToVal(left, "x"), plot.posToVal(left + width, "x"));
    }] },
  }, [times, line.least, line.most], place);
}

function draw() {
  for (const plot of plots) plot.destroy();
  const lines = told.lines.filter((line) => line.most.some((value) => value !== null));
  plots = lines.map((line) => chart(line, place.clientWidth - 2));
}

const whole = document.createElement("button");
whole.type = "button";
whole.textContent = told.words["chart-whole"];
whole.onclick = () => zoom(ends.min, ends.max);
const says = document.createElement("p");
const counted = (n) => n.toLocaleString("en"); // every number of the page has its point before the decimals
const places = { scans: counted(told.scans), stretches: counted(times.length) };
says.textContent = told.words["chart-hint"].replace(/\{(\w+)\}/g, (_, name) => places[name]);
place.append(whole, says);
document.documentElement.classList.add("live");
draw();
let waiting = 0;
window.onresize = () => { clearTimeout(waiting); waiting = setTimeout(draw, 200); };
