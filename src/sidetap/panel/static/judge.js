// Arrivals of snapshots -> is what stands on the screen of now?
//
// Only this page's own monotonic clock counts, never a time that a server wrote. A snapshot counts when its number
// differs from the one before: a server that repeats itself is as dead as a silent one. After a silence, snapshots
// must come for PROOF_MS before they are believed again, so that a pile of old ones, let loose by a process that
// was stalled, can't flash by as live. The page starts not live.

export const SILENCE_MS = 1500; // seven snapshots missed; with the tick and a redraw this stays under 2 s
export const PROOF_MS = 500;

export class Judge {
  #seq = null;
  #last = -Infinity;
  #first = Infinity; // of the unbroken run of snapshots

  /** Take the number of a snapshot that arrived at now. */
  arrived(seq, now) {
    if (seq === this.#seq) return;
    if (now - this.#last > SILENCE_MS) this.#first = now;
    this.#seq = seq;
    this.#last = now;
  }

  /** Forget the run: what comes next must prove itself from its own first snapshot. */
  lost() {
    this.#last = -Infinity;
  }

  live(now) {
    return now - this.#last <= SILENCE_MS && this.#last - this.#first >= PROOF_MS;
  }

  /** Return the number of the newest snapshot, null before the first. */
  get seq() {
    return this.#seq;
  }
}
