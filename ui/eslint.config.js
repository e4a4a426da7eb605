import js from '@eslint/js';
import svelte from 'eslint-plugin-svelte';
import globals from 'globals';
import ts from 'typescript-eslint';
import svelteConfig from './svelte.config.js';

export default ts.config(
  { ignores: ['dist', 'node_modules'] },
  js.configs.recommended,
  ...ts.configs.strict,
  ...svelte.configs.recommended,
  { languageOptions: { globals: { ...globals.browser } } },
  { files: ['dev/**'], languageOptions: { globals: { ...globals.node } } },
  {
    files: ['**/*.svelte', '**/*.svelte.ts'],
    languageOptions: { parserOptions: { parser: ts.parser, extraFileExtensions: ['.svelte'], svelteConfig } },
  },
  {
    rules: {
      'no-undef': 'off', // TypeScript sees to it
      eqeqeq: 'error',
      'no-restricted-imports': ['error', { patterns: [{ group: ['@tauri-apps/*'], message: 'Only src/lib/backend/tauri.ts names Tauri.' }] }],
    },
  },
  { files: ['src/lib/backend/tauri.ts'], rules: { 'no-restricted-imports': 'off' } },
);
