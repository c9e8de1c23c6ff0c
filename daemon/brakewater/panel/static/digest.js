// SHA-256 (FIPS 180-4) of a file, for pages that came without TLS: there a browser offers no digest of its own.

const words = (count, root) => {
  const found = [];
  for (let n = 2; found.length < count; n += 1) {
    if (found.every(([prime]) => n % prime)) found.push([n, Math.floor((n ** root % 1) * 2 ** 32) | 0]);
  }
  return found.map(([, word]) => word);
};
// The first 32 bits of the fractions of the roots of the first primes.
const BEGIN = words(8, 1 / 2);
const ROUND = words(64, 1 / 3);
const turned = (x, by) => (x >>> by) | (x << (32 - by));

const plain = (bytes) => {
  const padded = new DataView(new ArrayBuffer((((bytes.length + 8) >> 6) + 1) << 6));
  new Uint8Array(padded.buffer).set(bytes);
  padded.setUint8(bytes.length, 0x80);
  padded.setUint32(padded.byteLength - 8, Math.floor(bytes.length / 2 ** 29));
  padded.setUint32(padded.byteLength - 4, (bytes.length << 3) >>> 0);
  const state = Int32Array.from(BEGIN), w = new Int32Array(64);
  for (let block = 0; block < padded.byteLength; block += 64) {
    for (let i = 0; i < 64; i += 1) {
      if (i < 16) w[i] = padded.getInt32(block + 4 * i);
      else {
        const a = w[i - 15], b = w[i - 2];
        w[i] = w[i - 16] + (turned(a, 7) ^ turned(a, 18) ^ (a >>> 3)) + w[i - 7] + (turned(b, 17) ^ turned(b, 19) ^ (b >>> 10));
      }
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 64; i += 1) {
      const one = (h + (turned(e, 6) ^ turned(e, 11) ^ turned(e, 25)) + ((e & f) ^ (~e & g)) + ROUND[i] + w[i]) | 0;
      const two = ((turned(a, 2) ^ turned(a, 13) ^ turned(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
    }
    [a, b, c, d, e, f, g, h].forEach((word, i) => { state[i] += word; });
  }
  const out = new DataView(new ArrayBuffer(32));
  state.forEach((word, i) => out.setInt32(4 * i, word));
  return new Uint8Array(out.buffer);
};

// Hexadecimal, of an ArrayBuffer.
export const sha256 = async (buffer, own = globalThis.crypto?.subtle) => {
  const digest = own ? new Uint8Array(await own.digest("SHA-256", buffer)) : plain(new Uint8Array(buffer));
  return [...digest].map((byte) => byte.toString(16).padStart(2, "0")).join("");
};
