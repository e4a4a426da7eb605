import type { says as en } from '../en/says';
import type { Message } from '../index.svelte';

export const says: Record<keyof typeof en, Message> = {
  'say.seam-broken':
    'El programa detrás de la pantalla no respondió como debe. Lo guardado antes está a salvo en esta tableta. Intente otra vez; si se repite, cierre el programa y ábralo.',
  'say.program-gone':
    'El programa detrás de esta página no responde. Lo guardado antes está a salvo en esta tableta. Inicie el programa otra vez y siga aquí.',
  'say.pair-text': 'Este no es un código de enlace de un tráiler: ese empieza con «tubewright:pair?». No se cambió nada. Léalo otra vez.',
};
