"""The questions of a folder of logs, asked with SQLite and DuckDB over the same CSV files: what a handy user would take.

archive.py WAY QUESTION FOLDER [NAME]: WAY is `sqlite` (reads every file, then asks), `loaded` (asks what `sqlite` left in
FOLDER.db, whatever the files say now) or `duckdb` (asks the files). Corrections and damage are not looked at.
"""

import csv
import glob
import os
import sqlite3
import sys

WAY, QUESTION, FOLDER = sys.argv[1:4]
NAME = sys.argv[4] if len(sys.argv) > 4 else ""

ASKED = {
    "trace": (
        "with recursive reached(batch) as (select batch from logs where kind = 'weighed' and lot = ? "
        "union select l.batch from logs l join reached r on l.lot = r.batch where l.kind = 'weighed') "
        "select count(*) from logs where kind = 'weighed' and (lot = ? or lot in (select batch from reached))",
        [NAME, NAME],
    ),
    "lots": (
        "select count(*), sum(net) from (select ingredient, lot, sum(cast(net_g as double)) as net from logs "
        "where kind = 'weighed' and lot <> '' group by ingredient, lot)",
        [],
    ),
    "history": (
        "select count(*), avg(cast(deviation_g as double)) from logs where kind = 'weighed' and ingredient = ?",
        [NAME],
    ),
}
question, values = ASKED[QUESTION]

if WAY == "duckdb":
    import duckdb

    base = duckdb.connect()
    # Only the columns that are asked for, as text: types are not guessed file by file.
    source = f"read_csv('{FOLDER}/*.csv', all_varchar = true, header = true)"
    if QUESTION == "trace":
        base.execute(f"create table logs as select batch, kind, lot from {source}")
    else:
        base.execute(f"create view logs as select * from {source}")
    print(base.execute(question, values).fetchall())
    sys.exit()

path = FOLDER.rstrip("/") + ".db"
if WAY == "sqlite":
    if os.path.exists(path):
        os.remove(path)
    base = sqlite3.connect(path)
    base.execute("pragma journal_mode = off")
    base.execute("pragma synchronous = off")
    base.execute("create table logs (batch, kind, ingredient, lot, net_g, deviation_g)")
    for name in glob.glob(FOLDER + "/*.csv"):
        with open(name, newline="", encoding="utf-8") as file:
            rows = csv.reader(file)
            next(rows)
            base.executemany(
                "insert into logs values (?, ?, ?, ?, ?, ?)", ((r[0], r[3], r[7], r[8], r[15], r[16]) for r in rows)
            )
    base.execute("create index by_lot on logs (lot)")
    base.execute("create index by_ingredient on logs (ingredient)")
    base.commit()
else:
    base = sqlite3.connect(path)
print(base.execute(question, values).fetchall())
