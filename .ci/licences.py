"""Licences and known vulnerabilities of what duskward needs to run: a table; ends with 1 if one is wrong.

Run it in the environment to be looked at: ``.venv/bin/python .ci/licences.py``. Accepted are permissive
licences and the LGPL (a library that is used unchanged). Vulnerabilities are looked up by pip-audit where it
is installed and reaches its service; where not, that is said, and the exact versions are printed for a
look-up by hand.
"""

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib import metadata

ROOT = "duskward"
PERMISSIVE = re.compile(
    r"\b(MIT|MIT-0|BSD|0BSD|ISC|Apache|PSF|Python Software Foundation|Zlib|Unlicense|CC0|HPND|"
    r"Eclipse Public|EPL|EDL|Mozilla|MPL)\b",
    re.IGNORECASE,
)
"""EPL and MPL are weak copyleft by file: unchanged use asks for nothing more than their text."""
LESSER = re.compile(r"\b(LGPL|Lesser General Public)", re.IGNORECASE)
STRONG = re.compile(r"\b(A?GPL|(Affero )?General Public)", re.IGNORECASE)


def needed(name: str, seen: dict[str, metadata.Distribution]) -> None:
    """Collect `name` and what it needs to run on this machine, without extras."""
    key = re.sub(r"[-_.]+", "-", name).lower()
    if key in seen:
        return
    try:
        seen[key] = found = metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return  # needed on another machine only
    for line in found.requires or ():
        requirement, _, marker = line.partition(";")
        if "extra" in marker:
            continue
        match = re.match(r"[A-Za-z0-9._-]+", requirement.strip())
        if match:
            needed(match[0], seen)


def licence(found: metadata.Distribution) -> str:
    """What a distribution says of its licence: expression, classifiers, or a short licence field."""
    fields = found.metadata
    expression = fields.get("License-Expression")
    if expression:
        return expression
    classified = [
        line.rpartition("::")[2].strip()
        for line in fields.get_all("Classifier") or ()
        if line.startswith("License ::") and not line.endswith("OSI Approved")
    ]
    if classified:
        return ", ".join(classified)
    return next(iter((fields.get("License") or "not said").splitlines()), "not said")


def fits(text: str) -> bool:
    """Whether a licence may be used: one permissive or lesser choice is enough (``MIT OR GPL-3.0``)."""
    for choice in re.split(r"\bOR\b", text):
        if PERMISSIVE.search(choice) or LESSER.search(choice):
            strong = STRONG.search(LESSER.sub("", choice))
            if not strong or LESSER.search(choice):
                return True
    return False


def vulnerabilities(pins: list[str]) -> Iterator[str]:
    """What pip-audit finds for these versions; one line that says so where it can't look."""
    program = shutil.which("pip-audit")
    if program is None:
        yield "not looked up: pip-audit is not installed (pip install pip-audit); the versions are above"
        return
    asked = subprocess.run(
        [program, "--strict", "--no-deps", "--disable-pip", "-f", "json", "-r", "/dev/stdin"],
        input="\n".join(pins), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    try:
        audited = json.loads(asked.stdout)["dependencies"]
    except (ValueError, KeyError):
        reason = (asked.stderr.strip().splitlines() or ["no answer"])[-1]
        yield f"not looked up: {reason}"
        return
    for entry in audited:
        for one in entry.get("vulns", ()):
            place = f"{entry['name']} {entry['version']}"
            yield f"VULNERABLE {place}: {one['id']}, mended in {one['fix_versions']}"


def main() -> int:
    """Print the table; 1 if a licence does not fit or a version is known to be vulnerable."""
    seen: dict[str, metadata.Distribution] = {}
    needed(ROOT, seen)
    seen.pop(ROOT, None)
    rows = sorted((name, found.version, licence(found)) for name, found in seen.items())
    wrong = [row for row in rows if not fits(row[2])]
    print("| package | version | licence |\n|---|---|---|")
    for name, version, text in rows:
        print(f"| {name} | {version} | {text} |")
    print(f"\n{len(rows)} packages are needed to run.")
    for name, _, text in wrong:
        print(f"NOT PERMISSIVE: {name}: {text}", file=sys.stderr)
    known = list(vulnerabilities([f"{name}=={version}" for name, version, _ in rows]))
    for line in known:
        print(f"vulnerabilities: {line}", file=sys.stderr if line.startswith("VULNERABLE") else sys.stdout)
    return 1 if wrong or any(line.startswith("VULNERABLE") for line in known) else 0


if __name__ == "__main__":
    sys.exit(main())
