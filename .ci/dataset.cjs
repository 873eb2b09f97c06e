// What DuckDB reads in a data set is what the program prints of it: see .ci/dataset.
"use strict";
const { execFileSync } = require("node:child_process");
const fs = require("node:fs");
const { DuckDBInstance } = require("@duckdb/node-api");

let wrong = 0;
const fail = (text) => { wrong++; console.log("wrong: " + text); };
const same = (what, have, want) => {
  const plain = (v) => JSON.stringify(v, (_, x) => (typeof x === "bigint" ? Number(x) : x));
  if (plain(have) !== plain(want)) fail(`${what}: ${plain(have)}: want ${plain(want)}`);
};
const tonepose = (...args) => execFileSync("tonepose", args, { encoding: "utf8", maxBuffer: 1 << 28 });
const text = (t) => "'" + t.replaceAll("'", "''") + "'";

// As the chapter on many recordings opens a data set.
const table = (set, name, more = "") =>
  `read_parquet('${set}/${name}/*/*.parquet', hive_partitioning = true, hive_types_autocast = false${more})`;

const names = ["monday/a b=1 & 50 % + é", "NULL", "__HIVE_DEFAULT_PARTITION__", "007", "2026-01-01"];
const labels = { // of the list
  "monday/a b=1 & 50 % + é": ["A7", "first"], "NULL": ['B,8 "old"', "=1+1"], "__HIVE_DEFAULT_PARTITION__": ["", "-"],
  "007": ["1e3", "NULL"], "2026-01-01": ["two\nlines", "x"],
};
const texts = "channel tone emitter sensor finding status flags state pipe operator recording".split(" ");
const wholes = "dof iterations skipped_windows quadrature_dof".split(" ");

async function main() {
  const db = await (await DuckDBInstance.create(":memory:")).connect();
  const rows = async (sql) => {
    try {
      return (await db.runAndReadAll(sql)).getRowObjects();
    } catch (e) {
      throw new Error(`${e.message} in ${sql}`);
    }
  };
  const list = async (sql) => (await rows(sql)).map((r) => Object.values(r)[0]);
  const [version] = await list("SELECT version()");

  let values = 0;
  for (const name of ["phasors", "couplings", "poses", "integrity"]) {
    const all = table("first/set", name);
    for (const c of await rows(`DESCRIBE SELECT * FROM ${all}`)) {
      const want = texts.includes(c.column_name) ? "VARCHAR" : wholes.includes(c.column_name) ? "INTEGER" : "DOUBLE";
      if (c.column_type !== want) fail(`${name}: column ${c.column_name} is ${c.column_type}: want ${want}`);
    }
    same(`${name}: recordings`, await list(`SELECT DISTINCT recording FROM ${all} ORDER BY 1`), [...names].sort());

    // Every value of every recording is the one that export prints, bit for bit.
    for (const recording of names) {
      const of = `${all} WHERE recording = ${text(recording)}`;
      const [file] = await list(`SELECT DISTINCT filename FROM ${table("first/set", name, ", filename = true")} WHERE recording = ${text(recording)}`);
      const printed = JSON.parse(tonepose("export", file, "--format", "json"));
      const have = await rows(`SELECT * EXCLUDE (recording) FROM ${of}`); // DuckDB keeps the order of a file's rows
      same(`${file}: rows`, have.length, printed.length);
      same(`${file}: columns`, Object.keys(have[0]), Object.keys(printed[0]));
      for (let i = 0; i < printed.length; i++) {
        for (const [column, want] of Object.entries(printed[i])) {
          values++;
          if (!Object.is(have[i][column], want)) fail(`${file}: row ${i}, ${column} is ${have[i][column]}: want ${want}`);
        }
      }
      same(`${name}: labels of ${recording}`, await rows(`SELECT DISTINCT pipe, operator FROM ${of}`),
        [{ pipe: labels[recording][0], operator: labels[recording][1] }]);
    }

    // The footers' bounds and counts of NULL are those of the columns: by them parts are left out.
    const bounds = await rows(`SELECT file_name, path_in_schema AS name, type, count(*) AS groups, sum(num_values) AS n, sum(stats_null_count) AS nulls,
      min(CAST(stats_min_value AS DOUBLE)) AS low, max(CAST(stats_max_value AS DOUBLE)) AS high
      FROM parquet_metadata('first/set/${name}/*/*.parquet') WHERE type <> 'BYTE_ARRAY' GROUP BY ALL`);
    for (const b of bounds) {
      const [is] = await rows(`SELECT count(*) AS n, count(*) - count("${b.name}") AS nulls, min("${b.name}")::DOUBLE AS low, max("${b.name}")::DOUBLE AS high
        FROM read_parquet(${text(b.file_name)})`);
      same(`${b.file_name}: footer of ${b.name}`, [b.n, b.nulls, b.low, b.high], [is.n, is.nulls, is.low, is.high]);
    }
    await db.run(`CREATE OR REPLACE TABLE copy AS SELECT * FROM ${all}`);
    for (const column of ["time_s", "duration_s", "flags", "pipe", "recording"]) {
      for (const value of await list(`SELECT DISTINCT ${column} FROM copy ORDER BY 1 LIMIT 20`)) {
        const where = `${column} >= ${typeof value === "number" ? value : text(value)}`;
        same(`${name} ${where}`, await list(`SELECT count(*) FROM ${all} WHERE ${where}`), await list(`SELECT count(*) FROM copy WHERE ${where}`));
      }
    }
  }

  // Data sets of other options and other labels are one table, too: NULL is what one of them lacks.
  const both = `read_parquet(['first/set/poses/*/*.parquet', 'second/set/poses/*/*.parquet'], hive_partitioning = true, hive_types_autocast = false, union_by_name = true)`;
  same("labels of two data sets", await rows(`SELECT recording, pipe, operator, floor, count(*) AS n FROM ${both} WHERE recording IN ('007', 'r1') GROUP BY ALL ORDER BY 1`),
    [{ recording: "007", pipe: "1e3", operator: "NULL", floor: null, n: 10 }, { recording: "r1", pipe: "A7", operator: null, floor: "2", n: 5 }]);

  // The summary's CSV and JSON, and the outcomes.
  const csv = await rows("SELECT * FROM read_csv_auto('summary/recordings.csv')");
  const worst = JSON.parse(fs.readFileSync("summary/summary.json", "utf8")).worst_first;
  same("recordings of the CSV", csv.map((r) => r.recording), worst.map((o) => o.recording));
  for (const [i, o] of worst.entries()) {
    const q = o.quality;
    same(`outcome of ${o.recording}`, csv[i].outcome, q ? "solved" : "failed");
    for (const name of ["rows", "unsolved", "flagged", "in_doubt", "sigma_position_median_m", "estimated_error_worst_m", "clock_ppm"]) {
      if (Number(csv[i][name]) !== (q ? q[name] : 0)) fail(`${o.recording}: ${name} is ${csv[i][name]}: want ${q && q[name]}`);
    }
    same(`rms error of ${o.recording}`, csv[i].position_rms_m, q?.accuracy?.position_rms_m ?? null);
  }
  const types = Object.fromEntries((await rows("DESCRIBE SELECT * FROM read_csv_auto('summary/recordings.csv')")).map((c) => [c.column_name, c.column_type]));
  for (const [name, want] of [["recording", "VARCHAR"], ["start", "TIMESTAMP WITH TIME ZONE"], ["rows", "BIGINT"], ["sigma_position_median_m", "DOUBLE"], ["position_rms_m", "DOUBLE"], ["pipe", "VARCHAR"]]) {
    same(`type of ${name} in the CSV`, types[name], want);
  }
  same("recordings of the JSON", await list("SELECT w.recording FROM (SELECT unnest(worst_first) AS w FROM read_json_auto('summary/summary.json'))"), worst.map((o) => o.recording));
  // Outcomes and tables meet by name.
  same("type of ended in the outcomes", await list("SELECT DISTINCT typeof(ended) FROM read_json_auto('first/set/outcomes/*.json')"), ["TIMESTAMP"]);
  same("rows by outcomes", await rows(`SELECT o.recording, o.quality.rows AS n FROM read_json_auto('first/set/outcomes/*.json') o WHERE o.error IS NULL ORDER BY 1`),
    await rows(`SELECT recording, count(*) AS n FROM ${table("first/set", "poses")} GROUP BY 1 ORDER BY 1`));

  if (wrong > 0) {
    console.log(`${wrong} differences`);
    process.exit(1);
  }
  console.log(`DuckDB ${version} reads what is printed: ${values} values, bounds, labels, two data sets as one, the summary`);
}

main().catch((e) => { console.log(e.stack); process.exit(1); });
