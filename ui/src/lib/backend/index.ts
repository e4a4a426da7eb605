import { type Backend } from './backend';
import { http } from './http';
import { tauri } from './tauri';

export { asFault, BackendFault, type Backend, type Calls, type PhotoSaved, type Saved } from './backend';

/** The window of the tablet program marks its pages; anything else is a browser. */
export const backend: Backend = '__TAURI_INTERNALS__' in window ? tauri : http;
