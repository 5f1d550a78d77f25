"""The oldest versions that pyproject.toml admits, as constraints for pip."""

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
for requirement in project["dependencies"] + project["optional-dependencies"]["test"]:
    name, floor = re.fullmatch(r"([\w.-]+)>=([\w.]+)", requirement).groups()
    print(f"{name}=={floor}")
