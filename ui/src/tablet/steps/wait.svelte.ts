/** Seconds to wait before the next PIN, counted down on the screen. */
export class Wait {
  left = $state(0);
  #timer: ReturnType<typeof setInterval> | null = null;

  start(seconds: number): void {
    if (this.#timer !== null) clearInterval(this.#timer);
    const until = performance.now() + seconds * 1000;
    const tick = () => {
      this.left = Math.max(0, Math.ceil((until - performance.now()) / 1000));
      if (this.left === 0 && this.#timer !== null) {
        clearInterval(this.#timer);
        this.#timer = null;
      }
    };
    this.#timer = setInterval(tick, 250);
    tick();
  }
}
