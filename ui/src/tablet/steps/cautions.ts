// The usual cautions of each step, in both languages, each with where it comes from. They are shown always, first on
// the screen, and never replace the plant's own rules.
import type { Words } from '../../lib/types';

export interface StepCaution {
  words: Words;
  source: Words;
}

const PRACTICE: Words = { en: 'common practice, no source', es: 'práctica común, sin fuente' };
const MEMORY = (what: string): Words => ({ en: `${what}; from memory`, es: `${what}; de memoria` });

export const CAUTIONS = {
  photos: {
    words: {
      en: 'Look up first: slag falls. Touch and clean nothing before the photos.',
      es: 'Primero mire arriba: cae escoria. No toque ni limpie nada antes de las fotos.',
    },
    source: PRACTICE,
  },
  failure: {
    words: {
      en: 'Write what it looks like, not why. Cracks and damage from inside may not be seen: the cause is found later.',
      es: 'Escriba cómo se ve, no por qué. Grietas y daño de adentro pueden no verse: la causa se busca después.',
    },
    source: PRACTICE,
  },
  readings: {
    words: {
      en: 'Scale, roughness and a hot tube read too thick. A thickness never clears a crack.',
      es: 'Costra, aspereza y tubo caliente dan de más. Un espesor nunca descarta una grieta.',
    },
    source: PRACTICE,
  },
  plan: {
    words: {
      en: 'Nobody cuts on a plan that isn’t signed. The code of record and licensed practice decide, not this screen.',
      es: 'Nadie corta con un plan sin firmar. Deciden el código vigente y la práctica con licencia, no esta pantalla.',
    },
    source: PRACTICE,
  },
  'before-work': {
    words: {
      en: 'Answer with what you see now, not with what you were told. If it isn’t good, nobody begins.',
      es: 'Conteste con lo que ve ahora, no con lo que le dijeron. Si no está bien, nadie empieza.',
    },
    source: PRACTICE,
  },
  material: {
    words: {
      en: 'A wrong alloy bursts or cracks later. Read the heat number off the tube itself, not off the paper.',
      es: 'Una aleación equivocada revienta o se agrieta después. Lea la colada en el tubo mismo, no en el papel.',
    },
    source: PRACTICE,
  },
  gap: {
    words: {
      en: 'A cut panel can spring: hands out of the gap.',
      es: 'Un panel cortado puede saltar: manos fuera.',
    },
    source: PRACTICE,
  },
  'fit-up': {
    words: {
      en: 'Don’t pull a joint together by force: it stays loaded for ever. Take every plug and rag out, or write where it stays.',
      es: 'No cierre una junta a la fuerza: queda cargada para siempre. Saque todo tapón y trapo, o escriba dónde queda.',
    },
    source: PRACTICE,
  },
  weld: {
    words: {
      en: 'Closed space: 2,000 cubic feet of air a minute for each welder, or an air-fed hood. Fire watch, and half an hour after.',
      es: 'Espacio cerrado: 2,000 pies cúbicos de aire por minuto por soldador, o careta con aire. Vigía de fuego, y media hora después.',
    },
    source: { en: '29 CFR 1910.252(c)(2) and (a)(2)(iii), read in copies', es: '29 CFR 1910.252(c)(2) y (a)(2)(iii), leído en copias' },
  },
  examination: {
    words: {
      en: 'Eyes see the surface only. A good look clears nothing inside; the code of record says what else is examined.',
      es: 'La vista ve solo la superficie. Un buen aspecto no descarta lo de adentro; el código vigente dice qué más se examina.',
    },
    source: PRACTICE,
  },
  test: {
    words: {
      en: 'STORED PRESSURE KILLS. Everybody out and clear while it rises. Vent all air first. Go near only after the hold, at or below working pressure.',
      es: 'LA PRESIÓN ALMACENADA MATA. Todos afuera y lejos mientras sube. Saque antes todo el aire. Acérquese solo después de sostenerla, a presión de trabajo o menos.',
    },
    source: MEMORY('ASME BPVC Section I, PG-99'),
  },
  'close-out': {
    words: {
      en: 'Count people, tools, plugs and gags out before anything is closed or filled.',
      es: 'Cuente personas, herramientas, tapones y mordazas afuera antes de cerrar o llenar nada.',
    },
    source: PRACTICE,
  },
  gate: {
    words: {
      en: 'Sign only what you saw yourself. Nobody signs for another.',
      es: 'Firme solo lo que usted mismo vio. Nadie firma por otro.',
    },
    source: PRACTICE,
  },
} as const satisfies Record<string, StepCaution>;

export type CautionName = keyof typeof CAUTIONS;

/** Shown wherever a thickness stands beside signs that no thickness can clear. */
export const CANNOT_CLEAR: Words = {
  en: 'Cracking or damage from inside is ticked: a thickness can’t clear it.',
  es: 'Hay grietas o daño de adentro marcados: un espesor no los descarta.',
};
