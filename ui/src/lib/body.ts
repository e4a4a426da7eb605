// Safe looks into a body that came through the seam: another version's body may lack what this screen expects.
import type { Measure } from './types';

/** The measure under `name`, where there is one. */
export function measureOf(body: unknown, name: string): Measure | null {
  if (typeof body !== 'object' || body === null) return null;
  const value = (body as Record<string, unknown>)[name];
  if (typeof value !== 'object' || value === null || !('value' in value) || !('unit' in value)) return null;
  return value as Measure;
}

/** The text under `name`, else an empty one. */
export function textOf(body: unknown, name: string): string {
  if (typeof body !== 'object' || body === null) return '';
  const value = (body as Record<string, unknown>)[name];
  return typeof value === 'string' || typeof value === 'number' ? String(value) : '';
}
