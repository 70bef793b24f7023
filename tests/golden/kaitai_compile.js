// Compiles a Kaitai Struct description: node kaitai_compile.js FILE.ksy FOLDER LANGUAGE...
"use strict";
const fs = require("fs");
const path = require("path");
const YAML = require("yaml");
const compiler = require("kaitai-struct-compiler");

async function main([file, folder, ...languages]) {
  const document = YAML.parseDocument(fs.readFileSync(file, "utf8"), { version: "1.1" });
  for (const trouble of [...document.errors, ...document.warnings]) console.error(trouble.message);
  for (const language of languages) {
    const files = await compiler.compile(language, document.toJS(), null, false);
    for (const [name, text] of Object.entries(files)) fs.writeFileSync(path.join(folder, path.basename(name)), text);
  }
}

main(process.argv.slice(2)).catch((error) => {
  console.error(String(error));
  process.exitCode = 1;
});
