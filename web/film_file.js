// A film's pieces as one file that players know the length of.

const INFO = [0x15, 0x49, 0xa9, 0x66]; // Matroska element IDs (RFC 9559, section 5)
const SEEK_HEAD = [0x11, 0x4d, 0x9b, 0x74];
const SEARCHED = 4096; // bytes from the start in which the header lies

/** What this browser records best: [mime type, file ending]; null where it records nothing. */
export function recordable() {
  const kinds = [
    ["video/mp4;codecs=avc1.640033", "mp4"], // shared to other apps most easily
    ["video/mp4;codecs=avc1.42E01F", "mp4"],
    ["video/webm;codecs=vp9", "webm"],
    ["video/webm;codecs=vp8", "webm"],
    ["video/mp4", "mp4"],
    ["video/webm", "webm"],
  ];
  if (!globalThis.MediaRecorder) return null;
  return kinds.find(([mime]) => MediaRecorder.isTypeSupported(mime)) ?? null;
}

/** The file of a film's entry and pieces (ArrayBuffers). */
export function toFile(film, pieces) {
  const [first, ...rest] = pieces;
  const head = film.ending === "webm" && first ? withDuration(new Uint8Array(first), film.lasts_s) : first;
  const type = film.mime.split(";")[0];
  return new File(first ? [head, ...rest] : [], fileName(film), { type, lastModified: film.startedMs });
}

export function fileName(film) {
  const at = new Date(film.startedMs);
  const two = (n) => String(n).padStart(2, "0");
  const day = `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
  const time = `${two(at.getHours())}.${two(at.getMinutes())}.${two(at.getSeconds())}`;
  // Letters and digits of any script; what file systems and shells read otherwise is left out.
  const name = (film.player ?? "").replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "").slice(0, 40);
  return [day, time, film.view, name].filter(Boolean).join(" ") + `.${film.ending}`;
}

/**
 * A WebM header with the film's length: recorders write files whose length is unknown, because they
 * begin before they end. The Info element gets a Duration (0x4489, 8-byte float in units of its
 * TimestampScale, 1 ms as recorders write it). Left alone where there is one, where the header is
 * not understood, or where a SeekHead would point wrongly afterwards.
 */
export function withDuration(bytes, lasts_s) {
  const at = find(bytes, INFO, SEARCHED);
  if (at < 0 || !(lasts_s > 0) || find(bytes, SEEK_HEAD, at) >= 0) return bytes;
  const wide = Math.clz32(bytes[at + 4]) - 24 + 1; // of the size, by its leading zeros
  if (wide > 8) return bytes;
  let size = bytes[at + 4] & (0xff >> wide);
  for (let i = 1; i < wide; i++) size = size * 256 + bytes[at + 4 + i];
  const body = at + 4 + wide;
  if (body + size > bytes.length || find(bytes.subarray(body, body + size), [0x44, 0x89], size) >= 0) return bytes;
  const added = new DataView(new ArrayBuffer(11));
  added.setUint16(0, 0x4489);
  added.setUint8(2, 0x88);
  added.setFloat64(3, lasts_s * 1000);
  const grown = new DataView(new ArrayBuffer(8));
  grown.setUint32(0, 0x01000000);
  grown.setUint32(4, size + 11);
  const parts = [bytes.subarray(0, at + 4), new Uint8Array(grown.buffer), bytes.subarray(body, body + size),
    new Uint8Array(added.buffer), bytes.subarray(body + size)];
  const out = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let to = 0;
  for (const part of parts) {
    out.set(part, to);
    to += part.length;
  }
  return out;
}

function find(bytes, wanted, within) {
  const last = Math.min(bytes.length, within) - wanted.length;
  for (let i = 0; i <= last; i++) {
    if (wanted.every((byte, k) => bytes[i + k] === byte)) return i;
  }
  return -1;
}
