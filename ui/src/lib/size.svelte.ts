/** CSS pixels in one real millimetre until somebody has measured it: a 10.1 in screen of 800 x 1280. */
export const ASSUMED_MM = 5.886;

class Size {
  /** CSS pixels in one real millimetre. */
  mm = $state(ASSUMED_MM);
  /** True once it was measured against a steel rule: only then is anything called "true size". */
  measured = $state(false);
}

export const size = new Size();

/** Sets the tablet's measure. `null` or nonsense leaves the assumed one, and nothing is called true size. */
export function setMm(text: string | null | undefined): void {
  const mm = Number(text);
  const good = Number.isFinite(mm) && mm >= 2 && mm <= 30;
  size.mm = good ? mm : ASSUMED_MM;
  size.measured = good;
  document.documentElement.style.setProperty('--mm', String(size.mm));
}
