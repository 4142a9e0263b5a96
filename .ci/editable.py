"""Build hook: an editable install finds cli and datasets under the names they are installed by."""

from pathlib import Path
from tempfile import mkdtemp

from editables import EditableProject
from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class InPlace(BuildHookInterface):
    """Adds the redirections that the backend itself makes only for folders that keep their name."""

    def initialize(self, version: str, build_data: dict) -> None:
        """Name the files of the redirections for the backend to pack."""
        if version != "editable":
            return
        project = EditableProject(self.metadata.name, self.root)
        project.map_method = "self_replace"  # needs nothing at run time
        for folder, package in self.build_config.target_config["sources"].items():
            project.map(package, folder)
        scratch = Path(mkdtemp())
        for name, text in project.files():
            (scratch / name).write_text(text, encoding="utf-8")
            build_data["force_include_editable"][str(scratch / name)] = name
