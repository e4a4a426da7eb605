import { asFault, BackendFault, type Backend, type PhotoSaved } from './backend';

async function answer<T>(request: Promise<Response>): Promise<T> {
  let response: Response;
  try {
    response = await request;
  } catch {
    throw new BackendFault({
      code: 'program-gone',
      words: 'The program behind this page does not answer. What was saved before is safe on this tablet. Start the program again, then go on here.',
      status: 503,
    });
  }
  const text = await response.text();
  if (!response.ok) throw asFault(text, response.status);
  try {
    return JSON.parse(text) as T;
  } catch (error) {
    throw asFault(error, 500);
  }
}

/** The same screens in a browser on loopback. */
export const http: Backend = {
  kind: 'http',
  call: (name, args) =>
    answer(fetch(`/tablet/api/${name}`, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(args) })),
  photoPut: (meta, bytes) =>
    answer<PhotoSaved>(
      fetch('/tablet/photo', {
        method: 'POST',
        headers: { 'content-type': 'application/octet-stream', 'x-meta': encodeURIComponent(JSON.stringify(meta)) },
        body: bytes,
      }),
    ),
  photoUrl: (hash, size) => `/tablet/photo/${hash}/${size}`,
};
