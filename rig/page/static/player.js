// Plays an excerpt of a take; times are seconds in the take's file.

export class Player {
  constructor(element, onTick) {
    this.element = element;
    this.onTick = onTick;
    this.start = 0;
    this.until = null;
    this.address = "";
    element.preservesPitch = false;
    const tick = () => {
      if (this.until != null && this.time >= this.until) this.pause();
      onTick();
      if (!element.paused) requestAnimationFrame(tick);
    };
    element.addEventListener("play", () => requestAnimationFrame(tick));
    for (const name of ["pause", "seeked", "ended"]) element.addEventListener(name, () => onTick());
  }

  load(blob, start) {
    const at = this.time;
    const same = this.start === start && this.address !== "";
    this.unload();
    this.start = start;
    this.address = URL.createObjectURL(blob);
    this.element.src = this.address;
    return same ? at : start;
  }

  unload() {
    this.element.pause();
    this.until = null;
    if (this.address) URL.revokeObjectURL(this.address);
    this.address = "";
    this.element.removeAttribute("src");
  }

  get time() { return this.start + (this.element.currentTime || 0); }
  set time(t) { this.element.currentTime = Math.max(0, t - this.start); }
  get playing() { return !this.element.paused && !this.element.ended; }

  play(until = null) {
    if (!this.address) return;
    this.until = until;
    this.element.play().catch(() => {});
  }

  pause() {
    this.until = null;
    this.element.pause();
  }
}
