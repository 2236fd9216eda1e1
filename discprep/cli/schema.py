"""`discprep schema`."""

import json
from typing import Annotated

from typer import Option

from discprep.cli.frame import Json, Quiet, command


def schema(
    profile: Annotated[
        bool, Option("--profile", help="The machine profile's schema instead of the manifest's.")
    ] = False,
    include: Annotated[bool, Option("--include", help="That of a file which manifests include.")] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print the JSON Schema of the manifest, for an editor that completes and checks."""
    with command("schema", as_json, quiet) as frame:
        from discprep.errors import UsageError
        from discprep.manifest.json_schema import include_schema, manifest_schema, profile_schema

        if profile and include:
            raise UsageError("--profile and --include are two schemas", hint="Ask for one at a time.")
        made = (profile_schema if profile else include_schema if include else manifest_schema)()
        frame.finish({"schema": made}, json.dumps(made, indent=1))
