// The live picture, and the dead man's rule: what has not been heard for a moment is not shown as live.
const DEAD_MS = 2500;
const CHECK_MS = 250;

export function follow(asked, onPicture, onDead) {
  let heard = performance.now();
  let lostSaid = false;
  let source = null;
  const open = () => {
    source = new EventSource(`/api/live?${asked}`);
    source.onmessage = (event) => {
      heard = performance.now();
      lostSaid = false;
      onPicture(JSON.parse(event.data));
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
