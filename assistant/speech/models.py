"""The speech models on this device: which there are, how they come and go, and which one is in use.

A model is a folder below `models` in the user's data folder, or the bundled one. Beside them `pins.json`
holds what must not change unseen: the sum of each archive that the user confirmed, and of its files.
"""

from __future__ import annotations

import re
import shutil
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from pydantic import BaseModel, TypeAdapter, ValidationError

from assistant.errors import Problem
from assistant.places import file_sum, top_folder, user_data, user_settings, write_whole
from assistant.speech.manifest import (
    NAME_PATTERN,
    KnownModel,
    Manifest,
    Name,
    Sha256,
    folder_bytes,
    folder_sums,
    read_manifest,
)
from assistant.speech.model_folder import check_model, fixed_graph, model_root, own_name
from assistant.speech.unpack import unpack

SIZE_MARGIN = 2  # some sizes in the manifest are rounded; more than twice the size is another file


class Pin(BaseModel):
    """What must not change unseen of one model: the sums of its archive, if it came as one, and of its files."""

    archive_sha256: Sha256 | None = None
    files: dict[str, Sha256] = {}


_PINS = TypeAdapter(dict[Name, Pin])


@dataclass(frozen=True)
class FirstArchive:
    """An archive whose sum nobody has vouched for yet; the user is asked whether to pin it."""

    name: str
    origin: str  # an address or a path
    sha256: str
    sha256_reported: str | None  # second hand, see models.toml; None where there is none


Confirm = Callable[[FirstArchive], bool]


@dataclass(frozen=True)
class ListedModel:
    """One line of the list."""

    name: str
    known: KnownModel | None  # None for a model that the user added and the manifest does not name
    size_bytes: int  # unpacked when it is here, else of the archive
    here: bool
    in_use: bool
    archive_sum: str  # where it is known from: "manifest", "pinned" or "unknown"; "files" for an added folder


@dataclass(frozen=True)
class ModelStore:
    """The models of one user. data, config: that user's folders; they need not exist yet."""

    manifest_file: Path
    data: Path
    config: Path

    @cached_property
    def manifest(self) -> Manifest:
        """The known models."""
        return read_manifest(self.manifest_file)

    def list_models(self) -> list[ListedModel]:
        """The bundled model, then the others of the manifest, then those that the user added."""
        known = self.manifest.by_name
        added = {path.name for path in self._models.glob("[!.]*") if path.is_dir()} - set(known)
        names = [*sorted(known, key=lambda name: not known[name].bundled), *sorted(added)]
        in_use = self.in_use()
        return [self._listed(name, known.get(name), name == in_use) for name in names]

    def _listed(self, name: str, known: KnownModel | None, in_use: bool) -> ListedModel:
        here = self._folder(name).is_dir()
        size = folder_bytes(self._folder(name)) if here else known.size_bytes if known else 0
        if known and (known.sha256 or known.files):
            archive_sum = "manifest"
        elif self._sums(name).archive_sha256:
            archive_sum = "pinned"
        else:
            archive_sum = "files" if here else "unknown"
        return ListedModel(name, known, size, here, in_use, archive_sum)

    def fetch(self, name: str, confirm: Confirm, progress: Callable[[int, int], None] | None = None) -> Path:
        """Downloads, checks and unpacks a model of the manifest; its folder.

        confirm: asked once, when no sum of the archive is known; saying no keeps nothing. progress: told the bytes
        that are here and those of the whole, 0 when the server does not say.

        Raises Problem for an unknown or unusable model, one that is here already, a download that fails, a
        sum that differs, and an archive that is refused.
        """
        known = self.manifest.by_name.get(name)
        if known is None:
            raise Problem(f"{name} is not a known model; choose one from: assistant models list.")
        self._refuse_useless(name)
        if known.url is None:
            raise Problem(f"{name} comes with the assistant; there is nothing to fetch, only to use.")
        from assistant.speech.download import download  # noqa: PLC0415 - only this uses the network

        with self._disk_problems():
            self.data.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(prefix=".new-", dir=self.data) as folder:
                archive = Path(folder, known.url.rpartition("/")[2])
                download(known.url, archive, SIZE_MARGIN * known.size_bytes, progress)
                return self._install(name, archive, known.url, confirm)

    def add(self, source: Path, confirm: Confirm, name: str | None = None) -> Path:
        """Takes in a model from an archive or a folder, which stays as it is; the model's new folder.

        name: the source's own name when not given. A name of the manifest is held to the sums known for it,
        and `confirm` is asked as in `fetch`.

        Raises Problem for an unusable name, a model that is here already, a sum that differs, and a source
        that is refused.
        """
        if not source.exists():
            raise Problem(f"{source} does not exist; check the name.")
        name = name or own_name(source)
        if not re.fullmatch(NAME_PATTERN, name):
            raise Problem(f"{name!r} cannot name a model; give letters, digits, dots and dashes with --name.")
        self._refuse_useless(name)
        with self._disk_problems():
            return self._install(name, source, str(source), confirm)

    def verify(self, name: str) -> list[str]:
        """How the files of a model differ from their recorded sums, a line each; none when all is well."""
        with self._disk_problems():
            found, recorded = folder_sums(self.folder_of(name)), self._sums(name).files
        if not recorded:
            raise Problem(f"No sums are recorded for {name}; remove it and fetch or add it again.")
        changed = [file for file in recorded if file in found and found[file] != recorded[file]]
        return [
            *(f"{file} is missing" for file in recorded if file not in found),
            *(f"{file} has changed" for file in changed),
            *(f"{file} does not belong there" for file in found if file not in recorded),
        ]

    def remove(self, name: str, forget: bool = False) -> None:
        """Removes a model. forget: its pinned sum too, so that the next fetch asks again.

        A model that the manifest does not name is always forgotten. Raises Problem for the bundled model, the
        one in use and one that is not there.
        """
        bundled = self.manifest.bundled.name
        if name == bundled:
            raise Problem(f"{name} comes with the assistant and stays; choose another with: assistant models use.")
        if name == self.in_use():
            raise Problem(f"{name} is in use; first run: assistant models use {bundled}.")
        pins = self._pins()
        forget = (forget or name not in self.manifest.by_name) and name in pins
        if not forget:
            self.folder_of(name)
        with self._disk_problems():
            if self._folder(name).is_dir():
                shutil.rmtree(self._folder(name))
            if forget:
                del pins[name]
                self._keep(pins)

    def use(self, name: str) -> None:
        """Makes a model the one in use from the next start; Problem when it is not there or has changed."""
        check_model(name, self.folder_of(name))
        if differences := self.verify(name):
            raise Problem(f"{name} is damaged ({differences[0]}); remove it and fetch or add it again.")
        with self._disk_problems():
            # The pattern of names leaves nothing that would need escaping.
            self._choice.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._choice, f'model = "{name}"\n'.encode())

    def in_use(self) -> str:
        """The name of the model in use: the bundled one unless the user chose another."""
        try:
            name = tomllib.loads(self._choice.read_text(encoding="utf-8"))["model"]
        except FileNotFoundError:
            return self.manifest.bundled.name
        except (OSError, ValueError, KeyError) as wrong:
            raise Problem(f"{self._choice} names no model ({wrong}); delete it to use the bundled one.") from wrong
        return str(name)

    def folder_of(self, name: str) -> Path:
        """The folder of a model; Problem when it is not here. The name may come from anywhere, so it is checked."""
        if not re.fullmatch(NAME_PATTERN, name) or not self._folder(name).is_dir():
            raise Problem(f"There is no model {name} on this device; choose one from: assistant models list.")
        return self._folder(name)

    def model_in_use(self) -> Path:
        """The folder of the model in use; Problem when it is not there any more.

        The bundled one does not stand in unasked: it hears other words than the user counts on.
        """
        return self.folder_of(self.in_use())

    @property
    def _models(self) -> Path:
        return self.data / "models"

    @property
    def _choice(self) -> Path:
        return self.config / "model.toml"

    @property
    def _pinned(self) -> Path:
        return self.data / "pins.json"

    def _pins(self) -> dict[str, Pin]:
        """The pins by the names of the models; Problem when they are damaged."""
        try:
            return _PINS.validate_json(self._pinned.read_bytes())
        except FileNotFoundError:
            return {}
        except (OSError, ValidationError) as wrong:
            raise Problem(
                f"{self._pinned} cannot be read; delete it, then remove the models and fetch or add them again."
            ) from wrong

    def _keep(self, pins: dict[str, Pin]) -> None:
        self.data.mkdir(parents=True, exist_ok=True)
        write_whole(self._pinned, _PINS.dump_json(pins, indent=1))

    def _folder(self, name: str) -> Path:
        bundled = self.manifest.bundled
        return self.manifest_file.parent / str(bundled.folder) if name == bundled.name else self._models / name

    def _refuse_useless(self, name: str) -> None:
        """Refuses, before anything is fetched or copied, a model that cannot be used or is here already."""
        known = self.manifest.by_name.get(name)
        if known and not known.run_time_words:
            raise fixed_graph(name)
        if self._folder(name).exists():
            raise Problem(f"{name} is already here; to have it anew, first run: assistant models remove {name}.")

    def _sums(self, name: str) -> Pin:
        """The sums known of a model: those of the manifest, else those that were pinned."""
        known = self.manifest.by_name.get(name)
        if known and known.bundled:
            return Pin(files=known.files)
        pin = self._pins().get(name, Pin())
        if known is None:
            return pin
        return Pin(archive_sha256=known.sha256 or pin.archive_sha256, files=known.files or pin.files)

    def _install(self, name: str, source: Path, origin: str, confirm: Confirm) -> Path:
        archive_sum = file_sum(source) if source.is_file() else None
        if archive_sum and name in self.manifest.by_name:
            self._settle(name, archive_sum, origin, confirm)
        self._models.mkdir(parents=True, exist_ok=True)
        # On the same disk as its place, so that it appears there whole or not at all.
        with tempfile.TemporaryDirectory(prefix=".new-", dir=self._models) as temporary:
            unpacked = Path(temporary, "model")
            unpack(source, unpacked)
            root = model_root(unpacked)
            check_model(name, root)
            files, recorded = folder_sums(root), self._sums(name).files
            if recorded and files != recorded:
                raise Problem(f"The files in {origin} are not those known as {name}; give it another name with --name.")
            pin = Pin(archive_sha256=archive_sum or self._sums(name).archive_sha256, files=files)
            root.rename(self._folder(name))
            self._keep({**self._pins(), name: pin})
        return self._folder(name)

    def _settle(self, name: str, archive_sum: str, origin: str, confirm: Confirm) -> None:
        """Refuses an archive that is not the known one, and asks when none is known."""
        expected = self._sums(name).archive_sha256
        if expected and archive_sum != expected:
            raise Problem(
                f"{origin} is not the archive known as {name}: its SHA-256 is {archive_sum}, not {expected}; "
                "get it again from a source that you trust."
            )
        reported = self.manifest.by_name[name].sha256_reported
        if not expected and not confirm(FirstArchive(name, origin, archive_sum, reported)):
            raise Problem(f"{name} was not confirmed and nothing was kept; try again when you are sure.")

    @contextmanager
    def _disk_problems(self) -> Iterator[None]:
        """Puts what the disk refuses into a sentence."""
        try:
            yield
        except OSError as wrong:
            where, why = wrong.filename or self.data, wrong.strerror or wrong
            raise Problem(f"{where} cannot be used ({why}); make room or fix it, then try again.") from wrong


def user_store() -> ModelStore:
    """This user's models."""
    return ModelStore(top_folder("models_manifest") / "models.toml", user_data(), user_settings())
