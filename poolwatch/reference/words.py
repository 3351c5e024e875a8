"""Terms as poolwatch uses them, and what no table of the code says: files, columns of a manifest, exit codes."""

from __future__ import annotations

from ..model.quantities import GIVEN
from ..model.terms import TERMS as SHARED_TERMS
from ..model.weld_facts import WELD_FACTS
from .entries import ReferenceEntry

TERMS = (
    ReferenceEntry(
        "pool axes",
        "x runs along travel, positive forward. y runs across, positive to the left of travel. The origin is the "
        "beam: the keyhole's mean place. Angles are counter-clockwise as seen, 0 is forward.",
    ),
    ReferenceEntry(
        "travel direction",
        "An angle in the picture: 0 is to the right, 90 is up. It must be given for a glowing pool under a riding "
        "camera. Elsewhere the motion of metal or pool shows it, and a given one is checked against that.",
    ),
    ReferenceEntry(
        "record rate",
        "The rate at which the camera took the frames. It is never taken from the file: a container's playback rate "
        "is another thing. In glowing footage nothing moves at a known speed, so a wrong rate cannot be seen.",
    ),
    ReferenceEntry(
        "brightness",
        "A fraction of the sensor's full scale, 0 to 1, whatever the file's bit depth and video range.",
    ),
    ReferenceEntry(
        "outline",
        "A closed line along the steepest step of brightness between pool and surroundings, to a fraction of a "
        "pixel. A frame in which it cannot be seen is left out, and its status says why.",
    ),
    ReferenceEntry(
        "steady part",
        "The part of a clip that is scored: without start, end and steps in the pool's size. "
        "`stability.steady` start_s and stop_s choose another.",
    ),
    ReferenceEntry(
        "fluctuation",
        "Columns that end in _cv: standard deviation over mean of the pool itself. Drift slower than two periods of "
        "the steady part and measurement noise are taken out.",
    ),
    *(ReferenceEntry(word, meaning) for word, meaning in SHARED_TERMS.items()),
    ReferenceEntry("tone", "A peak as narrow as that of one sinusoid: see `peak`."),
    ReferenceEntry(
        "letter group",
        "Shapes that share a letter do not differ on this evidence. It does not mean that they are equal: "
        "more welds may separate them.",
    ),
    ReferenceEntry(
        "smallest particle",
        "The diameter at which half of the particles are found in a frame. Particles are drawn into the clip's own "
        "frames to find it. They are drawn as bright as the clip's own or, without a clear one, at half of full "
        "scale; dimmer particles must be larger.",
    ),
    ReferenceEntry(
        "slow particle",
        "What moves less than half a pixel a frame looks like a hot mark and is not counted. At 10 kHz and 20 µm/px "
        "that is below 100 mm/s; at 40 kHz and 40 µm/px it is below 800 mm/s.",
    ),
    ReferenceEntry(
        "glowing footage",
        "The pool outshines its surroundings. The first look finds the kind of footage; `pool.footage` overrules it.",
    ),
    ReferenceEntry(
        "illuminated footage",
        "A lamp or laser lights the metal through a narrow filter. Each frame is compared with its neighbours: solid "
        "metal moves as one sheet, liquid does not. Fluctuation above a sixteenth of the record rate is dampened. "
        "Compare illuminated clips with illuminated clips only.",
    ),
    ReferenceEntry(
        "scale file",
        "TOML with mm per pixel, its standard uncertainty, how it was made, and the size of the pictures it was made "
        "with. A clip of another size gets the flag `scale_other_size`. `--scale-crop X,Y` says where the clip is "
        "in those pictures.",
    ),
    ReferenceEntry(
        "blocks",
        "Days, sheets or batches, in the column `factor_block`. The comparison of shapes takes out what they differ "
        "by. Weld every shape in every block: a shape that shares no block with the others is not tested.",
    ),
    ReferenceEntry(
        "fingerprint",
        "`clip_id` names a recording by its content, `settings_id` all settings that change numbers. The same clip, "
        "settings and version give the same bytes in every CSV.",
    ),
)

CLIP_FILES = (
    ReferenceEntry("frames.csv", "a row is one frame"),
    ReferenceEntry("spatter.csv", "a row is one particle that left the pool"),
    ReferenceEntry("spatter_rejected.csv", "a row is one track that was not counted, with its reason"),
    ReferenceEntry("tracks.csv", "a row is one sighting of one particle"),
    ReferenceEntry("spectra.csv", "a row is one frequency of one signal"),
    ReferenceEntry("score.csv", "one row, the clip: the line that goes into a trial database"),
    ReferenceEntry("overlay.mp4", "annotated video, plays in a browser"),
    ReferenceEntry("report.html", "all figures on one page that opens offline"),
    ReferenceEntry(
        "run.json",
        "versions, every setting as resolved, fingerprint of the recording, what the first look found, flags, "
        "warnings, when and how long",
    ),
    ReferenceEntry(
        "outlines.bin",
        "outline of every frame. The line `poolwatch outlines 1`, the line `FRAMES VERTICES`, then little-endian "
        "16-bit numbers: x and y of each vertex in 1/32 px. 65535 stands where a frame has no outline.",
    ),
)

TRIAL_FILES = (
    ReferenceEntry(
        "scores.csv",
        "columns of score.csv, all clips scored alike; then `folder`, factors, outcomes and what the manifest says of "
        "the weld",
    ),
    ReferenceEntry("ranking.csv", "a row is one beam shape, steadiest first"),
    ReferenceEntry(
        "pairs.csv",
        "a row is the difference of two shapes. p is empty where no test can be made: one weld, copies of one weld, "
        "or no shared block",
    ),
    ReferenceEntry("excluded.csv", "clips that do not count, and why"),
    ReferenceEntry(
        "effects.csv",
        "with factors: what each does to the index. Squares and interactions are in the model as far as the settings "
        "separate them",
    ),
    ReferenceEntry(
        "next_welds.csv",
        "with factors: settings to weld next, inside what was tried and what the plan allows. Weld there only if "
        "machine limits and procedure allow",
    ),
    ReferenceEntry(
        "outcomes.csv",
        "with outcomes: rank correlation of each with the index and its parts",
    ),
    ReferenceEntry("report.html", "all of it on one page that opens offline, with every clip"),
)

SCORES_MORE = (
    ReferenceEntry("folder", "folder of the clip's files inside the trial's folder"),
    ReferenceEntry("facts_confirmed", "as in the manifest, where any row has it"),
)

MANIFEST = (
    ReferenceEntry("clip", "path of the recording, from the manifest's folder"),
    ReferenceEntry("beam_shape", "name of the shape"),
    ReferenceEntry("replicate", "which weld of this shape"),
    *(
        ReferenceEntry(fact.name, f"{fact.meaning}, {fact.unit}" if fact.unit else fact.meaning)
        for fact in GIVEN
    ),
    ReferenceEntry("scale", "scale file, from the manifest's folder, instead of `mm_per_px`"),
    ReferenceEntry("settings", "settings file of this clip, from the manifest's folder"),
    ReferenceEntry("facts_confirmed", "`yes` where a rate, scale or speed looks wrong and was checked"),
    ReferenceEntry(
        "factor_…",
        "what was varied: numbers, words, or `absent` where a shape lacks the part. Names that end in "
        "`_direction_deg` go round after 360°, those in `_axis_deg` after 180°",
    ),
    ReferenceEntry("run", "place in the planned order; `plan trial` writes it and nothing reads it"),
    ReferenceEntry("factor_block", "day, sheet or batch"),
    ReferenceEntry("outcome_…", "laboratory result; may be filled in later, and nothing is measured twice"),
    ReferenceEntry("bead_photo", "photo of the finished weld, for `poolwatch bead --manifest`"),
    *(
        ReferenceEntry(column.name, column.meaning + (f", {column.unit}" if column.unit else ""))
        for column in WELD_FACTS.columns
    ),
)

EXIT_CODES = (
    ReferenceEntry(
        "0", "done; `inspect` and `calibrate compare` end so whatever they find, but for `--strict`"
    ),
    ReferenceEntry(
        "1", "the work could not be done; one line on standard error says what, where and what to do"
    ),
    ReferenceEntry("2", "wrong usage: option, frame, settings, scale, scene, score file or manifest"),
)

# What each reader of `poolwatch.clips.opening.READERS` takes.
FORMATS = {
    "video": "MJPEG, H.264, HEVC, FFV1, raw and whatever the bundled FFmpeg reads, 8 to 16 bits. The content "
    "decides, not the ending.",
    "tiff": "Multi-page TIFF and BigTIFF, also compressed, grey or colour.",
    "npy": "An array of frames, rows and columns.",
    "hdf5": "A data set of frames, rows and columns; `clip.dataset` names it where there are several.",
    "raw": "Headerless values; FILE.toml beside the file gives width, height, type and byte order.",
    "stills": "A folder of numbered pictures: TIFF, PNG, BMP or JPEG.",
}
