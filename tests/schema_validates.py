"""The JSON Schema of the plan file, tried with PyPI's `jsonschema`.

The schema itself is valid (JSON Schema 2020-12); every good plan satisfies it; a plan in which `check`
finds an unknown key does not. Usage: schema_validates.py TAILLAMP, the path of the built program.
"""

import json
import pathlib
import subprocess
import sys
import tomllib

from jsonschema import Draft202012Validator

PLANS = pathlib.Path(__file__).parent / "plans"


def main(program: str) -> int:
    printed = subprocess.run([program, "schema"], check=True, capture_output=True, text=True)
    schema = json.loads(printed.stdout)
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    faults = []
    good = sorted(PLANS.glob("*.good.toml")) + sorted(PLANS.glob("*.warn.bad.toml"))
    for plan in good:
        for error in validator.iter_errors(tomllib.loads(plan.read_text())):
            faults.append(f"{plan.name}: {error.json_path}: {error.message}")
    unknown = [
        plan
        for plan in sorted(PLANS.glob("*.bad.toml"))
        if "[unknown-key]" in plan.with_suffix(".expected").read_text()
    ]
    for plan in unknown:
        errors = validator.iter_errors(tomllib.loads(plan.read_text()))
        if not any(error.validator == "additionalProperties" for error in errors):
            faults.append(f"{plan.name}: its unknown key is not refused")
    if not good or not unknown:
        faults.append("there is nothing to try the schema with")
    for fault in faults:
        print(fault, file=sys.stderr)
    print(f"schema valid; {len(good)} good plans, {len(unknown)} with unknown keys")
    return 1 if faults else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: schema_validates.py TAILLAMP")
    sys.exit(main(sys.argv[1]))
