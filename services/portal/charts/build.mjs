// Builds the two scripts of the pages into a folder, ../assets unless another is
// named, with the licences of what is bundled beside them. The first line of each
// holds a digest of the sources, so that a source that was changed without a build
// is seen without npm.
import { createHash } from "node:crypto";
import { existsSync, mkdirSync, readFileSync, readdirSync, writeFileSync } from "node:fs";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";

const here = dirname(fileURLToPath(import.meta.url));
const out = resolve(process.argv[2] ?? join(here, "..", "assets"));
mkdirSync(out, { recursive: true });

function sources() {
  const found = ["package.json", "package-lock.json"];
  for (const folder of ["", "live/"])
    for (const name of readdirSync(join(here, folder)))
      if (/\.m?js$/.test(name)) found.push(folder + name);
  return found.sort();
}

function digest() {
  const hash = createHash("sha256");
  for (const name of sources()) hash.update(name + "\n").update(readFileSync(join(here, name)));
  return hash.digest("hex");
}

const banner = { js: `/* Made by make charts from services/portal/charts, sources sha256 ${digest()}; licences in charts.licences.txt */` };
const result = await build({
  absWorkingDir: here,
  entryPoints: { charts: "draw.js", page: "live/page.js" },
  outdir: out,
  bundle: true,
  minify: true,
  format: "esm",
  target: ["es2022"],
  charset: "utf8",
  legalComments: "none",
  banner,
  metafile: true,
  logLevel: "warning",
});

const bundled = new Set();
for (const output of Object.values(result.metafile.outputs))
  for (const [input, { bytesInOutput }] of Object.entries(output.inputs)) {
    const name = /node_modules\/((?:@[^/]+\/)?[^/]+)\//.exec(input);
    if (name && bytesInOutput > 0) bundled.add(name[1]);
  }
let licences = "Libraries in charts.js, each with its licence.\n";
for (const name of [...bundled].sort()) {
  const folder = join(here, "node_modules", name);
  const { version, license } = JSON.parse(readFileSync(join(folder, "package.json"), "utf8"));
  const file = readdirSync(folder).find((f) => /^licen[cs]e/i.test(f));
  licences += `\n== ${name} ${version} (${license})\n\n`;
  licences += file && existsSync(join(folder, file)) ? readFileSync(join(folder, file), "utf8").trim() + "\n" : "The package holds no licence text.\n";
}
writeFileSync(join(out, "charts.licences.txt"), licences);
