"""A contract for import-linter: nobody imports past a face.

A face is the ``__init__`` of a room. Modules of a room are imported by that room alone; everybody else imports
what the face names. It holds for every room there is, new ones included, without being told of them.
"""

from __future__ import annotations

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, output


class FaceContract(Contract):
    """Broken by every import of a module from outside the room it lies in."""

    type_name = "faces"

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:
        """Look at every import of every module."""
        past = [
            (importer, module)
            for module in sorted(graph.modules)
            if not graph.find_children(module)
            for importer in sorted(graph.find_modules_that_directly_import(module))
            if not _at_home(importer, module)
        ]
        return ContractCheck(kept=not past, metadata={"past": past})

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Say who goes past which face."""
        for importer, module in check.metadata["past"]:
            room = module.rpartition(".")[0]
            output.print(f"{importer} imports {module}: import it from {room}, and name it in that face.")


def _at_home(importer: str, module: str) -> bool:
    room = module.rpartition(".")[0]
    return importer == room or importer.startswith(f"{room}.")
