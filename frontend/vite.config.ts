import { readdirSync } from "node:fs";
import { defineConfig } from "vite";

// Every file in src/places is an entry of its own: a page loads only what it needs.
const places = readdirSync(new URL("src/places", import.meta.url))
  .filter((name) => name.endsWith(".ts"))
  .map((name) => `src/places/${name}`);

export default defineConfig({
  base: "/static/",
  publicDir: false,
  build: {
    outDir: "../src/ovenwright/web/static",
    emptyOutDir: true,
    assetsDir: "built",
    manifest: "manifest.json",
    assetsInlineLimit: 0,
    target: "es2022",
    modulePreload: { polyfill: false },
    rollupOptions: { input: ["src/styles/site.css", ...places] },
  },
});
