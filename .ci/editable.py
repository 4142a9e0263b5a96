"""Build hook: an editable install finds cli and datasets under the names they are installed by."""

from pathlib import Path
from tempfile import mkdtemp

from editables import EditableProject, redirector
from hatchling.builders.hooks.plugin.interface import BuildHookInterface

FINDER = "_psdstats_redirector"


class InPlace(BuildHookInterface):
    """Adds the redirections that the backend itself makes only for folders that keep their name."""

    def initialize(self, version: str, build_data: dict) -> None:
        """Name the files of the redirections for the backend to pack."""
        if version != "editable":
            return
        project = EditableProject(self.metadata.name, self.root)
        for folder, package in self.build_config.target_config["sources"].items():
            project.map(package, folder)
        scratch = Path(mkdtemp())
        packed = build_data["force_include_editable"]
        packed[redirector.__file__] = f"{FINDER}.py"  # so that nothing is needed at run time
        for name, text in project.files():
            own = text.replace(redirector.__name__, FINDER)
            (scratch / name).write_text(own, encoding="utf-8")
            packed[str(scratch / name)] = name
