// A small trend: ten minutes of one number with its limits, drawn on a canvas; ``long`` says how long, where there is room.
const ROOM = 36; // CSS pixels from which on there is room for words below the line

export function draw(canvas, points, limits, long) {
  const scale = window.devicePixelRatio || 1;
  const width = canvas.clientWidth * scale;
  const height = canvas.clientHeight * scale;
  if (canvas.width !== width) canvas.width = width;
  if (canvas.height !== height) canvas.height = height;
  const pen = canvas.getContext("2d");
  pen.clearRect(0, 0, width, height);
  const good = points.filter((value) => value !== null);
  if (good.length < 2) return;
  const style = getComputedStyle(document.documentElement);
  const all = good.concat(limits);
  const low = Math.min(...all), high = Math.max(...all);
  const room = (high - low) * 0.1 || 1;
  const letters = canvas.clientHeight < ROOM ? 0 : parseFloat(getComputedStyle(canvas).fontSize) * scale, ground = height - letters;
  const y = (value) => ground - ((value - low + room) / (high - low + 2 * room)) * ground;
  const x = (index) => ((600 - points.length + index) / 600) * width;
  pen.strokeStyle = style.getPropertyValue("--line");
  pen.setLineDash([4 * scale, 4 * scale]);
  for (const limit of limits) {
    pen.beginPath(); pen.moveTo(0, y(limit)); pen.lineTo(width, y(limit)); pen.stroke();
  }
  pen.setLineDash([]);
  pen.strokeStyle = style.getPropertyValue("--text");
  pen.lineWidth = 1.5 * scale;
  pen.beginPath();
  let down = false;
  points.forEach((value, index) => {
    if (value === null) { down = false; return; }
    if (down) pen.lineTo(x(index), y(value)); else pen.moveTo(x(index), y(value));
    down = true;
  });
  pen.stroke();
  if (!letters) return;
  pen.font = `${letters}px system-ui, "DejaVu Sans", sans-serif`;
  pen.fillStyle = style.getPropertyValue("--soft");
  pen.fillText(long, 0, height - 0.15 * letters);
}
