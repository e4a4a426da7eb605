// Where the tablet is, kept in the address after `#`, so that the window can be reloaded in the middle of anything.

class Router {
  /** The parts of the path: `#/job/12/step/place` is `['job', '12', 'step', 'place']`. */
  path = $state<string[]>(read());

  constructor() {
    window.addEventListener('hashchange', () => {
      this.path = read();
    });
  }
}

function read(): string[] {
  return location.hash
    .replace(/^#\/?/, '')
    .split('/')
    .filter(Boolean)
    .map((part) => decodeURIComponent(part));
}

export const router = new Router();

/** Goes to a path: `go('job', id, 'step', 'place')`. */
export function go(...path: string[]): void {
  location.hash = `#/${path.map(encodeURIComponent).join('/')}`;
}
