// Says which of the Flux texts on standard input (a JSON list) are valid, as a JSON list of true and false.
// Needs @influxdata/flux-lsp-node in the node_modules folder named by the first argument.
import { createRequire } from "node:module";
import { join } from "node:path";
import { readFileSync } from "node:fs";

const flux = createRequire(join(process.argv[2], "check.js"))("@influxdata/flux-lsp-node");
const texts = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(texts.map((text) => flux.is_valid_flux(text))));
