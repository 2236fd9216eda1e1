"""What `pip` puts into the wheel and the source archive besides the package itself: this folder's ready profiles and
manifests as `discprep/ready`, and in the source archive all that a checkout holds. Named in `pyproject.toml`."""

import shutil
from pathlib import Path

from setuptools.command.build_py import build_py
from setuptools.command.sdist import sdist

TOP = Path(__file__).resolve().parent.parent
WHOLE = (".ci", "demo", "manifests", "tests")  # folders of a checkout
LEFT_OUT = {"__pycache__", "out"}


class WithReady(build_py):
    """The package, and the ready files in it. An editable install reads them where they are."""

    def run(self) -> None:
        super().run()
        if self.editable_mode:
            return
        for path in sorted((TOP / "manifests").rglob("*.toml")):
            target = Path(self.build_lib) / "discprep" / "ready" / path.relative_to(TOP / "manifests")
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)


class Whole(sdist):
    """Everything that a checkout holds."""

    def make_release_tree(self, base_dir: str, files: list[str]) -> None:
        more = {"DEVELOPERS.md"}
        for folder in WHOLE:
            for path in (TOP / folder).rglob("*"):
                if path.is_file() and not LEFT_OUT & set(path.relative_to(TOP).parts):
                    more.add(path.relative_to(TOP).as_posix())
        super().make_release_tree(base_dir, sorted({*files, *more}))
