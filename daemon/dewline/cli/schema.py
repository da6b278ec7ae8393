"""``dewline schema [config | profile | rules]``: the JSON Schema of what a person writes."""

from __future__ import annotations

import argparse
import json


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which kind of file."""
    parser.add_argument("of", nargs="?", choices=("config", "profile", "rules"), default="config")


def run(args: argparse.Namespace) -> int:
    """Print the JSON Schema of a config, a profile or a rule set on stdout.

    Draft 2020-12, indented, for editors that complete and check YAML. Exit status 0.
    """
    from pydantic import BaseModel  # noqa: PLC0415 - only here

    from dewline.config.profile_schema import ProfileFile  # noqa: PLC0415
    from dewline.config.rule_schema import RuleSetFile  # noqa: PLC0415
    from dewline.config.schema import SiteConfig  # noqa: PLC0415

    models: dict[str, type[BaseModel]] = {
        "config": SiteConfig,
        "profile": ProfileFile,
        "rules": RuleSetFile,
    }
    schema = models[args.of].model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return 0
