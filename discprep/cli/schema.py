"""`discprep schema`."""

import json
from typing import Annotated

import typer

from discprep.cli.frame import Json, Quiet, command


def schema(
    profile: Annotated[
        bool, typer.Option("--profile", help="The machine profile's schema instead of the manifest's.")
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print the JSON Schema of the manifest, for an editor that completes and checks."""
    with command("schema", as_json, quiet) as frame:
        from discprep.manifest.schema import ManifestTable, ProfileTable

        made = (ProfileTable if profile else ManifestTable).model_json_schema(by_alias=True)
        frame.finish({"schema": made}, json.dumps(made, indent=1))
