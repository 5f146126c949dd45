// This phone's clock against the server's, over the guidance channel; as server/clock.py.

const PHI = 50e-6; // two crystals may part by so much (RFC 5905 has 15e-6 for disciplined clocks)
const WINDOW_S = 120;
const MOST = 256;
const JUMP_S = 0.25; // more than every bound allows: a clock was set

export class Clock {
  constructor() {
    this.kept = [];
    this.last = null; // the newest exchange [t1_ms, t2_s, t3_s, t4_ms], for the server
  }

  /** A pong that came back at `nowMs`: RFC 5905, section 8, offset and delay. */
  pong({ t_ms: t1, received_s: t2, sent_s: t3 }, nowMs) {
    if (![t1, t2, t3].every(Number.isFinite)) return;
    const delayS = (nowMs - t1) / 1000 - (t3 - t2);
    if (delayS < 0 || t3 < t2 || this.kept.at(-1)?.t2 >= t2) return;
    const offsetS = ((t2 - t1 / 1000) + (t3 - nowMs / 1000)) / 2;
    const known = this.offset(nowMs);
    if (known && Math.abs(offsetS - known.offsetS) > known.boundS + delayS / 2 + JUMP_S) this.kept = [];
    this.kept.push({ offsetS, delayS, t2, atMs: nowMs });
    this.kept = this.kept.filter((one) => nowMs - one.atMs < WINDOW_S * 1000).slice(-MOST);
    this.last = [t1, t2, t3, nowMs];
  }

  /** {offsetS: server minus phone, boundS}: the exchange of least delay / 2 + PHI age, or null. */
  offset(nowMs) {
    let best = null;
    for (const { offsetS, delayS, atMs } of this.kept) {
      const boundS = delayS / 2 + (PHI * (nowMs - atMs)) / 1000;
      if (!best || boundS < best.boundS) best = { offsetS, boundS };
    }
    return best;
  }

  /** A time of the server's clock on this page's (performance.now()), or null before any pong. */
  toPhoneMs(serverS, nowMs) {
    const known = this.offset(nowMs);
    return known && (serverS - known.offsetS) * 1000;
  }
}
