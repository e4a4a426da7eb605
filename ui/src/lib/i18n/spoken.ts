import { parts } from '../measure';
import type { Measure } from '../types';
import { t, type Key } from './index.svelte';

function fraction(num: number, den: number): string {
  return t(`den.${den}` as Key, { n: num });
}

/** A value in words for readers and for the read-back: "20 and 9 sixteenths inches". */
export function spoken(m: Measure): string {
  const p = parts(m);
  switch (p.form) {
    case 'feet': {
      const inches = p.num > 0 ? t('spoken.and', { whole: p.whole, fraction: fraction(p.num, p.den) }) : String(p.whole);
      return t('spoken.feet', { feet: p.feet, inches });
    }
    case 'fraction': {
      const minus = p.minus ? `${t('spoken.minus')} ` : '';
      if (p.num === 0) return `${minus}${t('spoken.inches', { value: p.whole, n: p.whole })}`;
      if (p.whole === 0) return `${minus}${t('spoken.inch-part', { fraction: fraction(p.num, p.den) })}`;
      return `${minus}${t('spoken.inches', { value: t('spoken.and', { whole: p.whole, fraction: fraction(p.num, p.den) }), n: 2 })}`;
    }
    case 'decimal':
      return `${p.text} ${t(`unit.${p.unit}`)}`;
  }
}
