"""Detections -> Sightings: which photos and plates take part, and why the others do not."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from vision.adjust import Network
from vision.detect import Detection
from vision.errors import NotEnoughError
from vision.kit import Kit
from vision.layout import Layout
from vision.lenses import lens_prior_from_plates
from vision.observe import Sighting, observe
from vision.parameters import LensPrior, printed_scales
from vision.parts import Part, connected_parts
from vision.photo import ExifFacts
from vision.single_plate import focal_length_seen


@dataclass(frozen=True, eq=False)
class FoundPhoto:
    """A photo after detection: what is left of it for measuring, and all that a re-computation needs.

    Attributes:
        says: Set where the photo as a whole cannot serve.
        predicted: What each second look found in it beyond `detections`, one entry a look; empty before.
    """

    name: str
    sha256: str
    size_px: tuple[int, int]
    exif: ExifFacts
    detections: tuple[Detection, ...]
    says: str = ""
    predicted: tuple[tuple[Detection, ...], ...] = ()


@dataclass(frozen=True)
class PhotoNote:
    """What became of one photo, in words: which plates it shows, whether it was used.

    How well each plate is seen stands with its detection (`Detection.says`).
    """

    name: str
    used: bool
    lens: int | None
    plates: tuple[int, ...]
    says: str = ""


def _numbers(plates: Sequence[int]) -> str:
    return ", ".join(str(p) for p in plates)


def sightings_of(
    found: Sequence[FoundPhoto], lens_index: Sequence[int], kit: Kit
) -> tuple[tuple[Sighting, ...], tuple[PhotoNote, ...]]:
    """Photos with at least one plate of the kit, each number once; and a note for every photo.

    A number that a photo shows twice is left out of that photo: nobody can say which of the two
    hangs where the kit says. A file given twice counts once.
    """
    sightings: list[Sighting] = []
    notes: list[PhotoNote] = []
    seen: dict[str, str] = {}
    for photo, lens in zip(found, lens_index, strict=True):
        numbers = [d.plate for d in photo.detections]
        twice = sorted({n for n in numbers if numbers.count(n) > 1})
        unknown = sorted({n for n in numbers if n not in kit.plates})
        kept = tuple(d for d in photo.detections if d.plate in kit.plates and d.plate not in twice)
        says = [photo.says] if photo.says else []
        if twice:
            says.append(
                f"Plate number {_numbers(twice)} is in this photo twice: it was left out here. Take the "
                f"spare print "
                "out of view, or print one with another number."
            )
        if unknown:
            says.append(f"Plate {_numbers(unknown)} is not in the kit and was ignored.")
        if photo.sha256 in seen:
            says = [f"This is the same file as {seen[photo.sha256]}; it counts once."]
            kept = ()
        elif not kept and not photo.says:
            says.append(
                "No plate of the kit was found in it. Stand closer or steeper above the plates, hold the "
                "phone still, "
                "and keep the whole plate in view."
            )
        seen.setdefault(photo.sha256, photo.name)
        notes.append(
            PhotoNote(
                photo.name, bool(kept), lens if kept else None, tuple(d.plate for d in kept), " ".join(says)
            )
        )
        if kept:
            sightings.append(Sighting(photo.name, photo.size_px, lens, kept))
    return tuple(sightings), tuple(notes)


def main_part(
    sightings: Sequence[Sighting],
    notes: Sequence[PhotoNote],
    kit: Kit,
) -> tuple[tuple[Sighting, ...], tuple[PhotoNote, ...], tuple[str, ...]]:
    """The largest group of photos and plates that hang together; the others are named.

    Raises:
        NotEnoughError: There is nothing to measure from.
    """
    if len(sightings) < 2:
        raise NotEnoughError(
            f"{len(sightings)} of {len(notes)} photos show a plate of the kit; at least two are needed, and "
            f"eight to "
            "twelve are usual. " + _first_reasons(notes)
        )
    parts = connected_parts(sightings, kit)
    main, others = parts[0], parts[1:]
    warnings = tuple(_apart(part, main, sightings) for part in others)
    lost = {
        sightings[i].name: words for part, words in zip(others, warnings, strict=True) for i in part.photos
    }
    kept = tuple(sightings[i] for i in main.photos)
    notes = tuple(
        replace(n, used=False, lens=None, says=f"{n.says} {lost[n.name]}".strip()) if n.name in lost else n
        for n in notes
    )
    return kept, notes, warnings


def _first_reasons(notes: Sequence[PhotoNote]) -> str:
    return " ".join(f"{n.name}: {n.says}" for n in notes if not n.used)[:600]


def _apart(part: Part, main: Part, sightings: Sequence[Sighting]) -> str:
    names = ", ".join(sightings[i].name for i in part.photos)
    lonely = min(part.plates) if part.plates else None
    anchor = main.plates[0]
    return (
        f"{names} share no plate with the other photos and were left out (plates {_numbers(part.plates)}). "
        f"A photo that "
        f"shows plate {lonely} together with plate {anchor}, or with any of {_numbers(main.plates)}, would "
        f"join them."
    )


@contextmanager
def naming_spoilt(found: Sequence[FoundPhoto]) -> Iterator[None]:
    """A refusal names the photos that could not serve as a whole: one of them may be what is missing."""
    try:
        yield
    except NotEnoughError as error:
        spoilt = [f"{f.name}: {f.says}" for f in found if f.says and f.says not in str(error)]
        if not spoilt:
            raise
        raise NotEnoughError(f"{error} Photos that could not serve: {' '.join(spoilt)[:600]}") from error


def network_of(
    sightings: Sequence[Sighting],
    priors: Sequence[LensPrior | None],
    kit: Kit,
    layouts: Mapping[str, Layout],
) -> tuple[tuple[Sighting, ...], Network]:
    """The problem to adjust, with lenses counted 0, 1, ... in the order in which they appear.

    A lens without a prior gets one from what the plates in its photos look like.
    """
    order: dict[int, int] = {}
    for s in sightings:
        order.setdefault(s.lens, len(order))
    renumbered = tuple(replace(s, lens=order[s.lens]) for s in sightings)
    observed = observe(renumbered, layouts)
    scales = printed_scales([kit.plates[p] for p in observed.plates])
    known = []
    for lens, k in order.items():
        prior = priors[lens]
        if prior is None:
            size_px = next(s.size_px for s in renumbered if s.lens == k)
            prior = lens_prior_from_plates(size_px, focal_length_seen(observed, k, scales))
        known.append(prior)
    return renumbered, Network(observed, kit, tuple(known))


def in_time_order(found: Sequence[FoundPhoto]) -> tuple[FoundPhoto, ...]:
    """By the photos' own times where all have one, else as given; movement is looked for in this order."""
    if all(f.exif.taken for f in found):
        return tuple(sorted(found, key=lambda f: (f.exif.taken or "", f.name)))
    return tuple(found)
