"""Reads a batch log and the events of a replay with Python's csv, json and decimal modules and says
what is not as the contract wants it: check.py LOG.csv EVENTS.jsonl -> one JSON object."""

import csv
import json
import re
import sys
from decimal import Decimal

COLUMNS = (
    "batch,seq,at,kind,formula,step,phase,ingredient,lot,vessel,target_g,low_g,high_g,tare_g,gross_g,"
    "net_g,deviation_g,uncertainty_g,verdict,scale,unit,readings,note,chain"
).split(",")
KINDS = "opened scale-check weighed taken-out remedy mixed residue filled note closed".split()
FIELDS = {
    "cue": "cue say step missing choices urgent",
    "reading": "scale weight net missing steady",
    "recorded": "step ingredient net verdict seq",
    "step": "step of phase ingredient target low high scale",
    "fault": "scale code over",
    "tare": "state tare code",
    "closed": "complete",
}
# Those that are left out where there is nothing to say.
MORE = {"cue": "lead asks"}
CUES = "place add ease-off hold take-out lift mix choose fault done".split()
GRAMS = "weight net missing target low high tare".split()
PLAIN = re.compile(r"-?[0-9]+(\.[0-9]+)?\Z")

wrong = []


def check(holds, text):
    if not holds:
        wrong.append(text)


with open(sys.argv[1], newline="", encoding="utf-8") as file:
    reader = csv.DictReader(file, strict=True)
    check(reader.fieldnames == COLUMNS, f"columns: {reader.fieldnames}")
    rows = list(reader)
seqs = {}
for n, row in enumerate(rows, 1):
    here = f"row {n}"
    seqs[row["seq"]] = row
    check(row["seq"] == str(n), f"{here}: seq {row['seq']}")
    check(re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z\Z", row["at"]), f"{here}: at {row['at']}")
    check(row["kind"] in KINDS, f"{here}: kind {row['kind']}")
    check(re.match(r"[0-9a-f]{16}\Z", row["chain"]), f"{here}: chain {row['chain']}")
    check(not any(row[key] and not PLAIN.match(row[key]) for key in COLUMNS if key.endswith("_g")), here)
    check(None not in row and None not in row.values(), f"{here}: number of cells")
    if row["kind"] != "weighed":
        continue
    grams = {key: Decimal(row[key + "_g"]) for key in "target low high tare gross net deviation uncertainty".split()}
    check(grams["gross"] - grams["tare"] == grams["net"], f"{here}: gross - tare is not net")
    check(grams["net"] - grams["target"] == grams["deviation"], f"{here}: deviation")
    check(grams["uncertainty"] > 0, f"{here}: uncertainty")
    if row["verdict"] == "inside":
        check(grams["low"] <= grams["net"] <= grams["high"], f"{here}: not inside")
    check(row["verdict"] in ("inside", "under", "over", "kept", ""), f"{here}: verdict {row['verdict']}")
times = [row["at"] for row in rows]
check(times == sorted(times), "rows are not in the order of time")

events = []
last = 0.0
for n, line in enumerate(open(sys.argv[2], encoding="utf-8"), 1):
    event = json.loads(line, parse_float=Decimal)
    here = f"event {n} ({event.get('event')})"
    kind = event.get("event")
    check(kind in FIELDS, here)
    more = [name for name in MORE.get(kind, "").split() if name in event]
    check(list(event) == ["at", "event"] + FIELDS.get(kind, "").split() + more, f"{here}: fields {list(event)}")
    check(float(event["at"]) >= last, f"{here}: time steps back")
    last = float(event["at"])
    if kind == "cue":
        check(event["cue"] in CUES, f"{here}: {event['cue']}")
        check(event["say"].strip() != "", f"{here}: says nothing")
        check(set(event["choices"]) <= {"next", "again", "keep"}, f"{here}: choices")
        lead = event["say"][:event.get("lead", 0)]
        check("lead" not in event or re.fullmatch(r"\d+(\.\d+)? g ", lead), f"{here}: lead")
        check(event.get("asks") in (None, "lot", "remedy"), f"{here}: asks")
    for key in GRAMS:
        if event.get(key) is not None:
            check(isinstance(event[key], str) and PLAIN.match(event[key]), f"{here}: {key}")
    if kind == "recorded":
        row = seqs.get(str(event["seq"]))
        # Of a scale on ounces the event's decimals end at a microgram.
        same = row and row["kind"] == "weighed" and row["verdict"] == (event["verdict"] or "")
        same = same and abs(Decimal(row["net_g"]) - Decimal(event["net"])) <= Decimal("0.0000005")
        check(same, f"{here}: no such row in the log")
    event["at"] = float(event["at"])
    events.append(event)
recorded = [str(event["seq"]) for event in events if event["event"] == "recorded"]
weighed = [row["seq"] for row in rows if row["kind"] == "weighed"]
check(recorded == weighed, f"recorded {recorded}, weighed rows {weighed}")

json.dump({"rows": rows, "events": events, "wrong": wrong}, sys.stdout)
