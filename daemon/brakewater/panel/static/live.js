// The live picture, and the dead man's rule: what has not been heard for a moment is not shown as live. Nor is what was
// long on its way: over a link too slow for them pictures queue, each comes later than the one before.
const DEAD_MS = 2500;
const CHECK_MS = 250;
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

export function follow(asked, onPicture, onDead) {
  const late_ms = lateness();
  let heard = performance.now();
  let lostSaid = false;
  let source = null;
  const open = () => {
    source = new EventSource(`/api/live?${asked}`);
    source.onmessage = (event) => {
      const picture = JSON.parse(event.data), now = performance.now(), late = late_ms(picture.steady_ms, now);
      heard = now - late;
      if (late > DEAD_MS) { // what queues on this connection is older still than what a new one brings
        onDead();
        source.close();
        open();
        return;
      }
      lostSaid = false;
      onPicture(picture);
    };
    source.addEventListener("lost", () => { lostSaid = true; });
    source.onerror = () => {
      if (source.readyState === EventSource.CLOSED) setTimeout(open, 1000);
    };
  };
  open();
  const timer = setInterval(() => {
    if (lostSaid || performance.now() - heard > DEAD_MS) onDead();
  }, CHECK_MS);
  return () => { clearInterval(timer); source.close(); };
}
