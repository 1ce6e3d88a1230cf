"""What the program is made of, from cargo's own words: a bill of materials (CycloneDX 1.5), and the notices that the
licences of its libraries ask to be passed on.

    parts.py FOLDER     writes sbom.cdx.json and third-party.txt into it
"""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

NOTICES = ("license", "licence", "copying", "copyright", "notice", "unlicense")


def cargo(*words):
    return subprocess.run(["cargo", *words, "--locked"], check=True, stdout=subprocess.PIPE, text=True).stdout


def linked():
    """Names and versions of what is linked into the program: no build scripts, no macros."""
    lines = cargo("tree", "--features", "workshop", "--edges", "normal,no-proc-macro", "--prefix", "none", "--format", "{p}").splitlines()
    # "name vVERSION", and "(*)" where it came before.
    return {tuple(line.replace(" v", " ").split()[:2]) for line in lines if line}


def notices(folder):
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.name.lower().startswith(NOTICES):
            yield path.read_text(encoding="utf-8", errors="replace").strip()


def main():
    out = Path(sys.argv[1])
    of_ours, parts = None, []
    wanted = linked()
    for package in json.loads(cargo("metadata", "--features", "workshop", "--format-version", "1"))["packages"]:
        if package["source"] is None:
            # Those of this repository: the program, and its rooms that are a crate of their own.
            wanted.discard((package["name"], package["version"]))
            of_ours = package if package["name"] == "bismar" else of_ours
        elif (package["name"], package["version"]) in wanted:
            parts.append(package)
    parts.sort(key=lambda one: (one["name"], one["version"]))
    if len(parts) != len(wanted):
        sys.exit("not every library of the program is known")
    sums = {(one["name"], one["version"]): one.get("checksum") for one in tomllib.loads(Path("Cargo.lock").read_text())["package"]}

    def component(package, kind):
        name, version = package["name"], package["version"]
        purl = f"pkg:cargo/{name}@{version}"
        # Some write their choice with a stroke, as it was done before SPDX had a word for it.
        licence = package["license"].replace("/", " OR ")
        told = {"type": kind, "bom-ref": purl, "name": name, "version": version, "licenses": [{"expression": licence}], "purl": purl}
        if sums.get((name, version)):
            told["hashes"] = [{"alg": "SHA-256", "content": sums[name, version]}]
        return told

    bill = {
        "bomFormat": "CycloneDX", "specVersion": "1.5", "version": 1,
        "metadata": {"component": component(of_ours, "application")},
        "components": [component(one, "library") for one in parts],
    }
    (out / "sbom.cdx.json").write_text(json.dumps(bill, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")

    texts = {}
    lines = ["The libraries in bismar, their licences, and where their sources are:", ""]
    for one in parts:
        name, version = one["name"], one["version"]
        lines.append(f"{name} {version}: {one['license']}; https://crates.io/crates/{name}/{version}")
        for text in notices(Path(one["manifest_path"]).parent):
            texts.setdefault(text, []).append(f"{name} {version}")
    for text, names in texts.items():
        lines += ["", "=" * 79, "Of " + ", ".join(names) + ":", "", text]
    (out / "third-party.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")


main()
