// The four methods of repair and their limits, as words with their source. Nothing here decides: the engineer does,
// and the inspector must know before work.
import type { Words } from '../../lib/types';

export type Method = 'dutchman' | 'window' | 'pad' | 'plug';
export const METHODS: readonly Method[] = ['dutchman', 'window', 'pad', 'plug'];

export interface Limit {
  words: Words;
  source: Words;
}

const NBIC = (paragraph: string): Words => ({
  en: `National Board Inspection Code, Part 3, ${paragraph}; from memory, read the edition in force`,
  es: `Código de inspección National Board (NBIC), parte 3, ${paragraph}; de memoria, lea la edición vigente`,
});
const PRACTICE: Words = { en: 'common practice, no source', es: 'práctica común, sin fuente' };
const POWER: Words = {
  en: 'paper on pad and window welds, ASME Power Conference 2004, abstract read',
  es: 'ponencia sobre soldaduras de relleno y de ventana, ASME Power Conference 2004, resumen leído',
};

const EMERGENCY: Limit = {
  words: {
    en: 'An emergency repair: to be cut out and replaced at the next planned outage. Left in, it has led to second failures.',
    es: 'Reparación de emergencia: se corta y se reemplaza en la próxima parada planeada. Si se deja, ha causado segundas fallas.',
  },
  source: POWER,
};

/** Limits that hold for every method. */
export const LIMITS_ALL: readonly Limit[] = [
  {
    words: {
      en: 'The inspector must know and agree BEFORE the work.',
      es: 'El inspector debe saberlo y estar de acuerdo ANTES del trabajo.',
    },
    source: { en: 'National Board Bulletin, common treatment of repairs, 2004', es: 'Boletín de National Board, tratamiento común de reparaciones, 2004' },
  },
  {
    words: {
      en: 'Welding on a boiler is for an organisation that holds the National Board “R” certificate, where the law asks for it.',
      es: 'Soldar en una caldera es para una organización con certificado “R” de National Board, donde la ley lo pide.',
    },
    source: { en: 'Boiler Operator’s Handbook, 2nd edition, page 220', es: 'Boiler Operator’s Handbook, 2.ª edición, página 220' },
  },
];

export const LIMITS: Record<Method, readonly Limit[]> = {
  dutchman: [
    {
      words: {
        en: 'Piecing a tube is allowed if the wall that is left is enough for the pressure.',
        es: 'Se permite insertar una pieza si la pared que queda alcanza para la presión.',
      },
      source: NBIC('3.3.4.4'),
    },
    {
      words: {
        en: 'Cut 3 in (75 mm) beyond the damage that is seen, or to sound wall by readings, free of bulge and swelling.',
        es: 'Corte 3 in (75 mm) más allá del daño visible, o hasta pared sana por lecturas, sin abombado ni hinchazón.',
      },
      source: PRACTICE,
    },
    {
      words: {
        en: 'Shortest piece 12 in (300 mm); some plants take 6 in (150 mm) or one outside diameter between welds.',
        es: 'Pieza más corta 12 in (300 mm); algunas plantas aceptan 6 in (150 mm) o un diámetro exterior entre soldaduras.',
      },
      source: PRACTICE,
    },
    {
      words: {
        en: 'New weld 1.5 to 2 outside diameters, or 2 in (50 mm), from an old weld, a bend or an attachment.',
        es: 'Soldadura nueva a 1.5 a 2 diámetros exteriores, o 2 in (50 mm), de una soldadura vieja, una curva o un accesorio.',
      },
      source: PRACTICE,
    },
    {
      words: { en: 'Membrane cut back 1 to 2 in (25 to 50 mm) past each weld line.', es: 'Membrana cortada 1 a 2 in (25 a 50 mm) más allá de cada línea de soldadura.' },
      source: PRACTICE,
    },
  ],
  window: [
    EMERGENCY,
    {
      words: {
        en: 'For where the far side of the tube can’t be reached, or to mend a small bulge.',
        es: 'Para donde no se alcanza el otro lado del tubo, o para reparar un abombado pequeño.',
      },
      source: NBIC('3.3.4.6'),
    },
  ],
  pad: [
    EMERGENCY,
    {
      words: {
        en: 'A wasted tube may be built up if, in the inspector’s judgement, its strength is not lost.',
        es: 'Un tubo gastado se puede rellenar si, a juicio del inspector, no perdió su resistencia.',
      },
      source: NBIC('3.3.4.3'),
    },
    {
      words: {
        en: 'No pad on a wall under about 1/8 in (3 mm) or on a leak; none on T91 or hard grades.',
        es: 'Sin relleno en pared de menos de 1/8 in (3 mm) o sobre una fuga; tampoco en T91 ni grados duros.',
      },
      source: PRACTICE,
    },
    {
      words: {
        en: 'A pinhole may be larger inside. Don’t weld over a leak or under pressure: cut it out.',
        es: 'Un poro puede ser más grande adentro. No suelde sobre una fuga ni con presión: córtelo.',
      },
      source: { en: 'a welders’ forum, boiler tube repairs, 2007', es: 'foro de soldadores, reparación de tubos, 2007' },
    },
  ],
  plug: [
    {
      words: {
        en: 'Water tube: plug both ends and vent or hole the tube, so that it can’t trap water. Trapped water bursts a tube.',
        es: 'Tubo de agua: tapone los dos extremos y ventile o perfore el tubo, para que no atrape agua. El agua atrapada revienta un tubo.',
      },
      source: { en: 'Boiler Operator’s Handbook, 2nd edition, page 220, in part; the rest from memory', es: 'Boiler Operator’s Handbook, 2.ª edición, página 220, en parte; el resto de memoria' },
    },
    {
      words: {
        en: 'Fire tube: only if replacing is not practicable now; owner, inspector and jurisdiction agree; the number is limited.',
        es: 'Tubo de fuego: solo si ahora no se puede reemplazar; dueño, inspector y autoridad están de acuerdo; el número es limitado.',
      },
      source: NBIC('3.3.4.9'),
    },
  ],
};
