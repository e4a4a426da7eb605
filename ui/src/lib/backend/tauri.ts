import { invoke } from '@tauri-apps/api/core';
import { asFault, type Backend, type PhotoSaved } from './backend';

/** Windows and Android serve an own scheme as `http://<scheme>.localhost/`, the others as `<scheme>://localhost/`. */
const photoBase = /Windows|Android/.test(navigator.userAgent) ? 'http://photo.localhost/' : 'photo://localhost/';

/** The tablet's own window. */
export const tauri: Backend = {
  kind: 'tauri',
  async call(name, args) {
    try {
      return await invoke('call', { name, args });
    } catch (raw) {
      throw asFault(raw, 500);
    }
  },
  async photoPut(meta, bytes) {
    try {
      const body = new Uint8Array(await bytes.arrayBuffer());
      return await invoke<PhotoSaved>('photo_put', body, { headers: { 'x-meta': encodeURIComponent(JSON.stringify(meta)) } });
    } catch (raw) {
      throw asFault(raw, 500);
    }
  },
  photoUrl: (hash, size) => `${photoBase}${hash}/${size}`,
};
