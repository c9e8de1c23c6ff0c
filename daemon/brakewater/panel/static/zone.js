// Times as people on the rig read them: in its zone, year first, which nobody misreads.

// Formats are made once: making one costs more than drawing a chart.
const formats = new Map();
function format(name, zone_, options) {
  const key = `${name} ${zone_}`;
  return formats.get(key) ?? formats.set(key, new Intl.DateTimeFormat(name, { timeZone: zone_, ...options })).get(key);
}
const DAY = { year: "numeric", month: "2-digit", day: "2-digit" }, TIME = { hour: "2-digit", minute: "2-digit", second: "2-digit" };
const HALF_DAY_MS = 43_200_000;

let zone = "UTC";
export const setZone = (name) => { zone = name; };
export const inZone = () => zone;
export const clock = (ms) => format("sv", zone, { ...DAY, ...TIME }).format(ms);
export const clockOfDay = (ms) => clock(ms).slice(11);
export const clockExact = (ms) => `${clock(ms)}.${Math.floor((((ms % 1000) + 1000) % 1000) / 100)}`;
export const minute = (utc) => clock(Date.parse(utc)).slice(0, 16);
// Every time in UTC within a text, as the rig's clock shows it.
export const local = (text) => text.replace(/\d{4}-\d\d-\d\dT[\d:.]+Z/g, minute);

// A date whose own parts are those of a clock in some zone.
export function wallDate(ms, zone_) {
  const part = {};
  for (const { type, value } of format("en-US", zone_, { ...DAY, ...TIME, hourCycle: "h23" }).formatToParts(ms)) part[type] = Number(value);
  return new Date(part.year, part.month - 1, part.day, part.hour, part.minute, part.second, ((Math.floor(ms) % 1000) + 1000) % 1000);
}

// The moment at which the rig's clock shows ``2031-02-03T04:00``, in UTC; the first one where it is set back, null where
// it jumps over it.
export function momentOf(typed) {
  const plain = Date.parse(`${typed}:00Z`);
  const from = (ms) => plain - (Date.parse(`${clock(ms).replace(" ", "T")}Z`) - ms);
  const found = [from(plain - HALF_DAY_MS), from(plain + HALF_DAY_MS)].filter((ms) => clock(ms).slice(0, 16) === typed.replace("T", " "));
  return found.length ? new Date(Math.min(...found)).toISOString() : null;
}
