// Reads journals with a compiled description. Standard input says which journals, which of their blocks and what is in
// each message; the values go to standard output. Both are JSON; golden_kaitai.py is the other side, and does the same
// in Python.
"use strict";
const fs = require("fs");
const path = require("path");
const KaitaiStream = require("kaitai-struct/KaitaiStream");

const asked = JSON.parse(fs.readFileSync(0, "utf8"));
const { OfftakeJournal } = require(path.resolve(asked.compiled));

const capital = (word) => word.slice(0, 1).toUpperCase() + word.slice(1);
const camel = (name) => name.split("_").map((word, place) => (place ? capital(word) : word)).join("");
const hex = (bytes) => Buffer.from(bytes).toString("hex");

function valueOf(record, [name, how, choices]) {
  const value = record[camel(name)];
  if (value === undefined) return undefined;
  if (how === "enum") return choices[value] === undefined ? value : choices[value];
  if (how === "flags") return choices.filter((choice) => value[camel(choice)]);
  if (how === "elements") return value.map((one) => one.value);
  return value instanceof Uint8Array ? hex(value) : value;
}

function valuesOf(record, fields) {
  return Object.fromEntries(fields.map((field) => [field[0], valueOf(record, field)]));
}

function frameOf(frame) {
  const made = { code: frame.code, tick: frame.tick, payload: hex(frame.payload.bytes) };
  const fields = asked.messages[frame.code];
  if (fields) made.values = valuesOf(frame.message, fields);
  else if (frame.code === asked.description) made.described = describedOf(frame.message);
  else made.unknown = hex(frame.message);
  return made;
}

function describedOf(message) {
  return {
    code: message.code,
    name: message.name.text,
    fields: message.fields.map((field) => ({
      name: field.name.text,
      kind: OfftakeJournal.FieldKind[field.kind].toLowerCase(),
      count: field.count,
      fraction_bits: field.fractionBits,
      mantissa: field.mantissa,
      exponent: field.exponent,
      unit: field.unit && field.unit.text,
      is_flags: field.choices && field.choices.isFlags,
      choices: field.choices && field.choices.entries.map((one) => [one.value, one.name.text]),
    })),
  };
}

function journalOf({ file, blocks }) {
  const journal = new OfftakeJournal(new KaitaiStream(new Uint8Array(fs.readFileSync(file)).buffer));
  const settings = journal.header.settings;
  return {
    header: settings && valuesOf(settings, asked.header),
    kinds: journal.blocks.map((block) => block.isBlock),
    torn_end: journal.tornEnd.length,
    blocks: blocks.map((position) => {
      const block = journal.blocks[position - 1];
      return {
        block_number: block.blockNumber,
        journal_id: block.journalId,
        run: block.runNumber,
        check: block.check,
        checked: hex(block.checked),
        frames: block.frames.entries.map(frameOf),
      };
    }),
  };
}

process.stdout.write(JSON.stringify(asked.journals.map(journalOf)));
