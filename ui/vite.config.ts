import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig } from 'vite';

// Two pages from one code base. `base: './'` because the same files are opened by the tablet's window and by the server.
export default defineConfig({
  base: './',
  plugins: [svelte()],
  build: {
    target: 'es2022',
    outDir: 'dist',
    // The content policy allows no inline data but pictures: fonts stay files.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    rollupOptions: { input: { tablet: 'tablet.html', board: 'board.html' } },
  },
});
