// One script, one style sheet, no other origin; the binary embeds `dist` and serves it.
import { defineConfig } from "vite";

export default defineConfig({
  build: {
    target: "es2022",
    // A strict content policy: nothing inlined, no polyfill written into the page.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    // The binary's build makes `dist` too; vite empties what is inside it.
    emptyOutDir: true,
    license: { fileName: "licences.md" },
  },
  server: { proxy: { "/api": "http://127.0.0.1:8470" } },
});
