// The live picture, and the dead man's rule: what has not been heard for a moment is not shown as live. Nor is what was
// long on its way: over a link too slow for them pictures queue, each comes later than the one before.
const DEAD_MS = 2500;
const CHECK_MS = 250;
// A link that went silent without an end, as a radio's does: the browser would wait on it for minutes.
// The first tries are short, since a browser tries again over its other old connections, which are as silent.
const AGAIN_MS = 3000;
const OLD = 6;
const RARELY_MS = 10_000;
const KNOWN_MS = 300_000; // how long the quickest way is remembered, once or twice: two clocks drift apart

// How much later than the quickest a picture came, by the watch's steady clock and this browser's.
function lateness() {
  let since = -Infinity, least = Infinity, before = Infinity;
  return (steady_ms, now) => {
    if (now - since > KNOWN_MS) { since = now; before = least; least = Infinity; }
    least = Math.min(least, now - steady_ms);
    return now - steady_ms - Math.min(least, before);
  };
}

export function follow(asked, onPicture, onDead, onRefused) {
  const late_ms = lateness();
  let heard = performance.now();
  let lostSaid = false;
  let source = null, spoken = 0, tries = 0;
  const speaks = () => {
    spoken = performance.now();
    tries = 0;
  };
  const open = () => {
    source?.close();
    spoken = performance.now();
    source = new EventSource(`/api/live?${asked}`);
    source.onmessage = (event) => {
      speaks();
      const picture = JSON.parse(event.data), now = performance.now(), late = late_ms(picture.steady_ms, now);
      heard = now - late;
      if (late > DEAD_MS) { // what queues on this connection is older still than what a new one brings
        onDead();
        open();
        return;
      }
      lostSaid = false;
      onPicture(picture);
    };
    source.addEventListener("lost", () => { speaks(); lostSaid = true; });
    source.onerror = () => { if (source.readyState === EventSource.CLOSED) onRefused(); }; // answered, but not with pictures
  };
  open();
  const timer = setInterval(() => {
    if (lostSaid || performance.now() - heard > DEAD_MS) onDead();
    if (performance.now() - spoken > (source.readyState === EventSource.CLOSED ? 1000 : tries < OLD ? AGAIN_MS : RARELY_MS)) {
      tries += 1;
      open();
    }
  }, CHECK_MS);
  return () => { clearInterval(timer); source.close(); };
}
