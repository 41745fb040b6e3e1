// Checks config/interface/asyncapi.json with the parser of the AsyncAPI project: node asyncapi.mjs FILE
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";

// The parser lies where it was installed, not beside this file.
const { Parser } = createRequire(join(process.cwd(), "x.js"))("@asyncapi/parser");
const { document, diagnostics } = await new Parser().parse(readFileSync(process.argv[2], "utf8"));
const faults = diagnostics.filter((fault) => fault.severity <= 1); // errors and warnings
for (const fault of faults) {
  console.error(`${process.argv[2]}:${fault.range.start.line + 1}: ${fault.path.join(".")}: ${fault.message}`);
}
process.exit(document === undefined || faults.length > 0 ? 1 : 0);
