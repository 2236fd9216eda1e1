"""`discprep check`."""

from discprep.cli.frame import Json, MachineOption, ManifestPath, Quiet, command


def check(manifest: ManifestPath, machine: MachineOption = None, as_json: Json = False, quiet: Quiet = False) -> None:
    """Check a manifest without the network: names, needs, roles, settings of both ends."""
    with command("check", as_json, quiet) as frame:
        from discprep.job.check import check as job
        from discprep.report import check as face

        checked = job(manifest, machine=machine)
        frame.finish(face.document(checked), face.text(checked), notices=checked.notices)
