// The horn. A browser plays nothing before someone has touched the page; the button says so honestly.
let context = null;
let tone = null;

export const isOn = () => context !== null && context.state === "running";

export async function switchOn() {
  context = context ?? new AudioContext();
  await context.resume();
}

export async function switchOff() {
  if (context) await context.suspend();
}

export function sound(what) {
  if (tone && (what === "off" || tone.what !== what || !isOn())) { tone.node.stop(); tone = null; }
  // For whoever looks at the page: what is heard now, and whether a horn sounds that nobody hears.
  document.documentElement.dataset.horn = what !== "off" && isOn() ? what : "off";
  document.documentElement.dataset.unheard = String(what !== "off" && !isOn());
  if (what === "off" || tone || !isOn()) return;
  const node = context.createOscillator();
  const beat = context.createOscillator();
  const depth = context.createGain();
  const out = context.createGain();
  node.frequency.value = what === "ringback" ? 440 : 880;
  beat.type = "square";
  beat.frequency.value = what === "ringback" ? 0.7 : 2;
  depth.gain.value = 0.15;
  out.gain.value = 0.15;
  beat.connect(depth); depth.connect(out.gain);
  node.connect(out); out.connect(context.destination);
  node.start(); beat.start();
  tone = { what, node };
}
