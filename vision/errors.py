"""Every error that plumbsight raises on purpose, drawn at the top of one file.

PlumbsightError
├── InputFileError          a kit, placement or set file is wrong        (exit status 65)
│   ├── SetError
│   ├── KitError
│   └── PlacementError
├── PhotoError              one photo cannot be used; the others go on
├── LayoutError             a plate layout is not usable
└── NotEnoughError          the photos do not suffice to measure         (exit status 3)

Every message says, in a technician's words, what is wrong and what to do next.
"""


class PlumbsightError(Exception):
    """Base of all errors that are meant for the user's eyes."""


class InputFileError(PlumbsightError):
    """A file that describes the job is wrong. The message names file and key.

    Attributes:
        problems: (key, what is wrong with it) of each that can be said for itself.
    """

    def __init__(self, says: str, problems: tuple[tuple[str, str], ...] = ()) -> None:
        super().__init__(says)
        self.problems = problems


class SetError(InputFileError):
    """The photo set's `set.json`, or the folder itself, is wrong."""


class KitError(InputFileError):
    """The kit is wrong or contradicts itself."""


class PlacementError(InputFileError):
    """The placement is wrong, or names what the kit does not have."""


class PhotoError(PlumbsightError):
    """This photo cannot be used. One bad photo among good ones is a warning."""


class LayoutError(PlumbsightError):
    """A plate layout file contradicts itself or overlaps with another."""


class NotEnoughError(PlumbsightError):
    """The photos do not suffice to measure. The message says which photo would help."""
