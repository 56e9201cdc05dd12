"""Which files a module's work rests on: those that it imports, found by reading, not by running."""

import ast
import hashlib
from collections.abc import Iterable, Iterator
from functools import cache
from importlib import import_module
from importlib.util import resolve_name
from pathlib import Path
from typing import NamedTuple


class _Import(NamedTuple):
    """``import module`` (no name), or ``from module import name``."""

    module: str
    name: str | None


def sources_of(entry: str, packages: Iterable[str] = ("layers",)) -> dict[str, Path]:
    """Find the files that decide what a module does.

    That is its own file, those of all modules that it imports, here or inside a function, of
    those again, and the TOML files beside a module that names them. Imports for type checkers
    alone do not count. A package's ``__init__`` runs on the way to its modules, so what it imports
    is followed; but its own file counts only where a module takes a name from it. It tells what a
    room is for and which names are public, and a new public name changes no figure.

    Parameters
    ----------
    entry : str
        Dotted name of the module.
    packages : iterable of str
        The top packages whose files count.

    Returns
    -------
    dict of str to Path
        Dotted names of modules, and for data files ``module:file``, sorted, with their files.

    Raises
    ------
    ModuleNotFoundError
        If there is no such module.
    """
    tops = {name: Path(str(import_module(name).__path__[0])) for name in packages}
    taken: dict[str, Path] = {}
    run: set[str] = set()
    waiting = [_Import(entry, None)]
    while waiting:
        module, name = waiting.pop()
        if module.partition(".")[0] not in tops:
            continue
        if name and _file_of(f"{module}.{name}", tops):
            module, name = f"{module}.{name}", None
        file = _file_of(module, tops)
        if file is None:
            raise ModuleNotFoundError(f"{module} is imported, but is no module", name=module)
        taken[module] = file
        parts = module.split(".")
        for on_the_way in (".".join(parts[: i + 1]) for i in range(len(parts))):
            if on_the_way not in run:
                run.add(on_the_way)
                path = _file_of(on_the_way, tops)
                waiting += _read(on_the_way, path).imports if path else ()
    data = {f"{m}:{d.name}": d for m, file in taken.items() for d in _data_beside(m, file)}
    return dict(sorted({**taken, **data}.items()))


def digest_of(files: dict[str, Path]) -> str:
    """Digest files and the names that they are imported by; where they lie does not matter."""
    digest = hashlib.sha256()
    for name, file in files.items():
        digest.update(f"{name}\0{hashlib.sha256(file.read_bytes()).hexdigest()}\n".encode())
    return digest.hexdigest()[:12]


def _file_of(module: str, tops: dict[str, Path]) -> Path | None:
    top, *rest = module.split(".")
    folder = tops[top].joinpath(*rest)
    modules = [folder.with_name(f"{folder.name}.py")] if rest else []
    places = (*modules, folder / "__init__.py")
    return next((file for file in places if file.is_file()), None)


class _Read(NamedTuple):
    imports: tuple[_Import, ...]
    texts: tuple[str, ...]


@cache
def _read(module: str, file: Path) -> _Read:
    """Read what a module imports when it and its functions run, and the texts in it."""
    package = module if file.stem == "__init__" else module.rpartition(".")[0]
    imports: list[_Import] = []
    texts: list[str] = []
    for node in _executed(ast.parse(file.read_bytes())):
        if isinstance(node, ast.Import):
            imports += [_Import(alias.name, None) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            origin = resolve_name("." * node.level + (node.module or ""), package)
            imports += [_Import(origin, alias.name) for alias in node.names]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            texts.append(node.value)
    return _Read(tuple(imports), tuple(texts))


def _executed(node: ast.AST) -> Iterator[ast.AST]:
    """Walk a syntax tree, but not into what only a type checker reads."""
    yield node
    children = ast.iter_child_nodes(node)
    if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
        children = iter(node.orelse)
    for child in children:
        yield from _executed(child)


def _data_beside(module: str, file: Path) -> Iterator[Path]:
    for text in _read(module, file).texts:
        if text.endswith(".toml") and file.with_name(Path(text).name).is_file():
            yield file.with_name(Path(text).name)
