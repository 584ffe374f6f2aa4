"""Print the oldest release series of every requirement that pyproject.toml allows, one a line."""

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
for requirement in project["dependencies"]:
    name, version = re.fullmatch(r"([\w.-]+)>=([\d.]+)", requirement).groups()
    if "." not in version:
        version += ".0"
    print(f"{name}=={version}.*")
