"""Build the package with the pages of the docs in it, so that its error lines can name them anywhere."""

from pathlib import Path
from shutil import copyfile

from setuptools import setup
from setuptools.command.build_py import build_py


class BuildWithDocs(build_py):
    """Copy ``docs/*.md`` to ``analyzer/docs`` of what is built; an editable install finds them beside it."""

    def run(self) -> None:
        """Build, then copy."""
        super().run()
        if self.editable_mode:
            return
        target = Path(self.build_lib) / "analyzer" / "docs"
        target.mkdir(parents=True, exist_ok=True)
        for page in sorted(Path(__file__).parent.glob("docs/*.md")):
            copyfile(page, target / page.name)


setup(cmdclass={"build_py": BuildWithDocs})
