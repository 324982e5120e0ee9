"""A set measured again: what a worker does. Nothing here knows how the work is spread, or kept.

Photos are decoded one at a time; those that a second look needs again are kept while they fit.
"""

import hashlib
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import cv2

from calib_data.layouts import load_layouts
from calib_data.levels import PhotoLevel, photo_levels
from calib_data.recheck import (
    ComparedValue,
    Finding,
    Mode,
    compare_with_signed,
    in_words,
    outcome_of,
    residual_rms_px,
    sheet_values,
)
from calib_data.result import UnreadPhoto, to_result
from calib_data.visit import whole_of
from tools.recheck.material import Json, RoundToMeasure, WantedPhoto
from tools.recheck.rounds import rounds_of
from tools.recheck.sets import ArchivedSet
from vision.errors import InputFileError, NotEnoughError, PhotoError
from vision.measure import Measurement, find_plates, measure_found
from vision.photo import Photo, read_photo
from vision.sightings import FoundPhoto
from vision.trial import ConsistencyTest

# Ten photos of 50 megapixels; more are decoded anew where a second look needs them.
KEPT_BYTES = 500_000_000


@dataclass(frozen=True, eq=False)
class RoundAgain:
    """A round as it was found and measured: columns of the results' tables."""

    facts: Json
    values: tuple[ComparedValue, ...]
    findings: tuple[Finding, ...]
    failed: tuple[ConsistencyTest, ...] = ()
    photos: tuple[PhotoLevel, ...] = ()


def recheck_set(one: ArchivedSet, mode: Mode) -> tuple[RoundAgain, ...]:
    """Measure each round of a set with today's software, and compare it with what was signed.

    Never raises for what is wrong with a set: that is what its rounds then say.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    made = []
    todays: dict[int, Json | None] = {}
    with rounds_of(one) as rounds:
        for material in rounds:
            start = time.perf_counter()
            again = _again(material, mode, todays)
            again.facts["seconds"] = time.perf_counter() - start
            made.append(again)
    return tuple(made)


def without_a_worker(one: ArchivedSet, says: str) -> tuple[RoundAgain, ...]:
    """A set whose worker did not come back, as `recheck_set` would tell it."""
    facts = {"number": 1, "round_id": one.set_id, "is_last": True, "seconds": 0.0}
    return (_told(facts, (), (*one.findings, Finding("not_measured", "", says))),)


def _again(material: RoundToMeasure, mode: Mode, todays: dict[int, Json | None]) -> RoundAgain:
    """`todays` are the results of the visit's earlier rounds, by number; this one's is added."""
    photos = _Photos(material, mode)
    facts, today = dict(material.facts), None
    vehicle = facts.pop("vehicle", {})
    facts["n_photos"] = len(material.photos)
    measured: tuple[ComparedValue, ...] = ()
    failed: tuple[ConsistencyTest, ...] = ()
    levels: tuple[PhotoLevel, ...] = ()
    says = ""
    try:
        m, today = _measured(material, photos)
        facts |= _facts(m, today)
        failed = tuple(test for test in m.tests if not test.ok)
        measured = tuple(sheet_values(m.adjustment))
        levels = tuple(photo_levels(m.adjustment))
    except (NotEnoughError, InputFileError, PhotoError) as wrong:
        says = str(wrong)
    except MemoryError:
        says = "There was not enough memory to measure it. Run with fewer workers at once."
    except Exception as wrong:  # one set out of a million must not end the others' run
        where = traceback.extract_tb(wrong.__traceback__)[-1]
        kind = type(wrong).__name__
        says = f"This is a defect of plumbsight: {kind} in {where.name}, line {where.lineno}: {wrong}"
    findings = [*material.findings, *photos.findings]
    todays[facts["number"]] = today
    signed, now = _with_shifts(material, todays)
    compared = compare_with_signed(signed, now, mode, vehicle)
    # A study decides nothing: only how far its values differ is told.
    is_job = not material.facts.get("set_up")
    findings += [one for one in compared.findings if is_job or one.kind != "decision_changed"]
    findings += _without_result(material, today, says)
    facts |= {
        "decision_signed": (material.signed or {}).get("decision"),
        "decision_today": (today or {}).get("decision"),
    }
    if compared.largest is not None:
        facts |= {"largest_off_u": compared.largest.off_u, "largest_off": compared.largest.title}
    again = _told(facts, (*compared.values, *measured), tuple(findings), in_words(findings, compared))
    return replace(again, failed=failed, photos=levels)


def _with_shifts(
    material: RoundToMeasure, todays: Mapping[int, Json | None]
) -> tuple[Json | None, Json | None]:
    """The result as signed and today's, each with the shifts that end in this round."""
    number = material.facts["number"]
    signed, today = material.signed, todays[number]
    if material.shifts is None or today is None:
        return signed, today
    rounds = [one | {"result": todays.get(one["number"])} for one in material.shifts.rounds]
    ending = [one for one in whole_of(rounds, material.shifts.asked).shifts if one.after == number]
    if signed is not None:
        signed = signed | {"shifts": [material.shifts.signed[one.name] for one in ending]}
    return signed, today | {"shifts": [one.result for one in ending]}


def _told(
    facts: Json, values: tuple[ComparedValue, ...], findings: tuple[Finding, ...], says: str = ""
) -> RoundAgain:
    facts |= {"outcome": outcome_of(findings), "says": says or in_words(findings, None)}
    return RoundAgain(facts, values, findings)


def _without_result(material: RoundToMeasure, today: Json | None, says: str) -> Iterator[Finding]:
    """Where then or today there is no result. Signed as not measurable, and not measurable: that agrees."""
    was_measured = material.signed is not None
    if today is None and (was_measured or not material.is_signed):
        yield Finding("not_measured", "", says)
    elif today is not None and material.is_signed and not was_measured:
        words = f"The round was signed as one that could not be measured; today it is {today['decision']}."
        yield Finding("decision_changed", "", words)


# --- measuring ------------------------------------------------------------------------------------


def _measured(material: RoundToMeasure, photos: "_Photos") -> tuple[Measurement, Json]:
    """Raises: NotEnoughError, InputFileError: It cannot be measured."""
    if material.photo_set is None:
        raise InputFileError(material.unreadable)
    found, unread = photos.looked_at()
    if not found:
        reasons = " ".join(photo.says for photo in unread) or photos.says_why_empty()
        raise NotEnoughError(f"There is no photo that can be measured. {reasons}".strip())
    given = material.photo_set
    m = measure_found(
        found,
        given.kit,
        given.vehicle,
        given.placements,
        load_layouts(),
        relations=given.relations,
        photos=photos.decoded,
        profiles=given.profiles,
        distrusted=given.distrusted,
    )
    return m, to_result(m, given, found, unread)


def _facts(m: Measurement, result: Json) -> Json:
    """What the results keep of a measurement beside its values."""
    used = [photo for photo in result["photos"] if photo["used"]]
    phones = Counter((f.exif.make, f.exif.model, f.exif.lens_model) for f in m.found)
    make, model, lens = phones.most_common(1)[0][0]
    facts: Json = {
        "n_photos_used": len(used),
        "n_plates": len({plate for photo in used for plate in photo["plates"]}),
        "phone_make": make,
        "phone_model": model,
        "phone_lens": lens,
        "n_phones": len(phones),
        "chi2": m.adjustment.chi2,
        "redundancy": m.adjustment.redundancy,
        "rms_px": residual_rms_px(m.adjustment),
    }
    for key in ("wheelbase_left_mm", "wheelbase_right_mm"):
        figure = result["vehicle"].get(key, {})
        facts |= {key: figure.get("value"), f"u_{key}": figure.get("u")}
    return facts


class _Photos:
    """A round's photos looked at again, or as they were once found where their files cannot serve.

    A record's photo that is not here, or not what was stored, is measured from what was found in it then:
    so the comparison stays one of the same photos.
    """

    def __init__(self, material: RoundToMeasure, mode: Mode) -> None:
        self._material, self._mode = material, mode
        self.findings: list[Finding] = []
        self.decoded = _Decoded()

    def looked_at(self) -> tuple[tuple[FoundPhoto, ...], tuple[UnreadPhoto, ...]]:
        """What was found in them, and those that cannot be decoded.

        Raises:
            NotEnoughError: A photo that was measured then is lost, with all that was found in it.
        """
        found: list[FoundPhoto] = []
        unread: list[UnreadPhoto] = []
        for photo in self._material.photos:
            one = self._look(photo)
            if isinstance(one, UnreadPhoto):
                unread.append(one)
            elif one is not None:
                found.append(one)
        return tuple(found), tuple(unread)

    def says_why_empty(self) -> str:
        """Why nothing was found, where no photo is to blame."""
        if self._mode == "observations" and not self._material.stored:
            return "What was found in its photos was not kept. Measure it from its photos."
        return ""

    def _look(self, photo: WantedPhoto) -> FoundPhoto | UnreadPhoto | None:
        data = self._bytes(photo)
        if data is None or self._mode == "observations":
            return self._as_once_found(photo)
        try:
            read = read_photo(data, photo.name)
        except PhotoError as wrong:
            return UnreadPhoto(photo.name, str(wrong))
        assert self._material.photo_set is not None
        found = find_plates(read, self._material.photo_set.kit, load_layouts())
        self.decoded.keep(read, lambda: read_photo(photo.place.folder.read(photo.place.file), photo.name))
        return found

    def _bytes(self, photo: WantedPhoto) -> bytes | None:
        """The file as it was stored; None where it is not here any more, or not wanted."""
        state = photo.place.state
        if state == "there" and self._mode == "observations":
            return None
        try:
            data = photo.place.folder.read(photo.place.file) if state == "there" else None
        except (FileNotFoundError, InputFileError):
            data, state = None, "missing"
        except OSError as wrong:
            self._note("photo_missing", photo, f"cannot be read ({wrong.strerror or wrong})")
            return None
        if data is None:
            is_removed = state == "removed"
            kind = "photo_removed" if is_removed else "photo_missing"
            self._note(kind, photo, "was removed by order" if is_removed else "is missing: its file is gone")
        elif photo.sha256 is not None and hashlib.sha256(data).hexdigest() != photo.sha256:
            self._note("photo_altered", photo, "was altered: its file is not the one that was stored")
            return None
        return data

    def _note(self, kind: str, photo: WantedPhoto, says: str) -> None:
        instead = " What was found in it then took its place." if photo.name in self._material.stored else ""
        self.findings.append(Finding(kind, photo.name, f"{photo.name} {says}.{instead}"))

    def _as_once_found(self, photo: WantedPhoto) -> FoundPhoto | None:
        stored = self._material.stored.get(photo.name)
        if stored is None and photo.name in self._used_then():
            raise NotEnoughError(
                f"What was found in {photo.name} then was not kept, so that the round cannot be measured "
                "from the same photos again."
            )
        return stored

    def _used_then(self) -> set[str]:
        """The photos that the signed result rests on."""
        photos = (self._material.signed or {}).get("photos", ())
        return {photo["file"] for photo in photos if photo["used"]}


@dataclass
class _Decoded(Mapping[str, Photo]):
    """Photos by name: kept while they fit, else decoded again when they are asked for."""

    _again: dict[str, Callable[[], Photo]] = field(default_factory=dict)
    _kept: dict[str, Photo] = field(default_factory=dict)
    _n_bytes: int = 0

    def keep(self, photo: Photo, again: Callable[[], Photo]) -> None:
        self._again[photo.name] = again
        if self._n_bytes + photo.grey.nbytes <= KEPT_BYTES:
            self._kept[photo.name] = photo
            self._n_bytes += photo.grey.nbytes

    def __getitem__(self, name: str) -> Photo:
        return self._kept[name] if name in self._kept else self._again[name]()

    def __contains__(self, name: object) -> bool:
        return name in self._again  # the mapping's own would decode

    def __iter__(self) -> Iterator[str]:
        return iter(self._again)

    def __len__(self) -> int:
        return len(self._again)
