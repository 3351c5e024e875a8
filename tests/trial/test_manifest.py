from __future__ import annotations

import codecs
import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolwatch.model.errors import UsageError
from poolwatch.trial import read_manifest
from poolwatch.trial.names import folder_names, safe_name

HEADER = "clip,beam_shape,replicate,record_rate_hz,mm_per_px"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for name in ("a.avi", "b.avi", "c.avi"):
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


def write(place: Path, *lines: str, encoding: str = "utf-8") -> Path:
    path = place / "manifest.csv"
    path.write_bytes("\n".join(lines).encode(encoding))
    return path


def test_reads_what_the_row_says(place: Path) -> None:
    path = write(
        place,
        HEADER
        + ",travel_direction_deg,travel_speed_mm_s,exposure_s,material,factor_power_w,factor_gas,outcome_rm_mpa",
        "a.avi,crescent,1,10000,0.02,90,50,2e-05,austenitic-stainless,2400,argon,612",
        "b.avi,crescent,2,5000,0.03,,,,,2600,,",
    )
    manifest = read_manifest(path)
    first, second = manifest.entries
    assert first.path == place / "a.avi"
    assert first.folder == "a"
    assert first.recording.record_rate_hz == 10000
    assert first.recording.travel_direction_deg == 90
    assert first.recording.exposure_s == 2e-5
    assert first.factors == {"factor_power_w": 2400.0, "factor_gas": "argon"}
    assert first.outcomes == {"outcome_rm_mpa": 612.0}
    assert second.recording.material is None
    assert second.recording.travel_direction_deg == 0
    assert second.factors == {"factor_power_w": 2600.0, "factor_gas": None}
    assert second.outcomes == {"outcome_rm_mpa": None}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_semicolons_decimal_commas_and_every_usual_encoding(place: Path, encoding: str) -> None:
    (place / "größe.avi").write_bytes(b"x")
    path = write(
        place,
        HEADER.replace(",", ";") + ";exposure_s;;",
        "größe.avi;halbmond ü;1;10000;0,02;0,00002;;",
        ";;;;;;;",
        "b.avi;halbmond ü;2;10000;0,125;2,5e-5;;",
        encoding=encoding,
    )
    entries = read_manifest(path).entries
    assert [entry.recording.mm_per_px for entry in entries] == [0.02, 0.125]
    assert entries[1].recording.exposure_s == 2.5e-5
    assert entries[0].recording.beam_shape == "halbmond ü"
    assert entries[0].folder == "größe"


def test_tabs_and_windows_line_ends(place: Path) -> None:
    path = place / "manifest.csv"
    path.write_bytes(
        codecs.BOM_UTF8 + (HEADER.replace(",", "\t") + "\r\na.avi\tx\t1\t1000\t0.02\r\n").encode()
    )
    assert read_manifest(path).entries[0].recording.record_rate_hz == 1000


def test_every_problem_is_listed_by_row_and_column_at_once(place: Path) -> None:
    path = write(
        place,
        HEADER + ",exposure_s,material,factor_power",
        "a.avi,crescent,1,10 kHz,0.02,,,1",
        "missing.avi,crescent,2,10000,0.02,,,2",
        "b.avi,,3,10000,0.02,20,,3",
        "c.avi,flat-top,1,10000,,,cheese,4",
        "c.avi,flat-top,2,10000,0.02,,,x4",
    )
    with pytest.raises(UsageError) as caught:
        read_manifest(path)
    text = str(caught.value)
    for piece in (
        "problems, nothing was measured",
        "row 2, record_rate_hz: '10 kHz' is not a plain number",
        "row 3, clip: 'missing.avi' is not there",
        "row 4: beam_shape to be filled in",
        "row 4, exposure_s: 20 s is longer than the time between frames",
        "row 5: mm_per_px to be filled in",
        "row 5, material: unknown material 'cheese'",
        "rows 5 and 6, clip: the same recording, 'c.avi', is named 2 times",
        "(1) ",
        "(8) ",
    ):
        assert piece in text


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("clip,replicate,record_rate_hz,mm_per_px", "column 'beam_shape' is missing"),
        ("clip,beam_shape,replicate,record_rate_hz", "column 'mm_per_px' or 'scale' is missing"),
        (HEADER + ",record_rate_khz", "did you mean 'record_rate_hz'"),
        (HEADER + ",Travel speed mm/s", "did you mean 'travel_speed_mm_s'"),
        (HEADER + ",Factor power", "should be factor_<name>"),
        (HEADER + ",clip", "column 'clip' stands 2 times"),
    ],
)
def test_wrong_headers(place: Path, header: str, words: str) -> None:
    path = write(place, header, "a.avi" + ",1" * header.count(","))
    with pytest.raises(UsageError, match=words.replace("(", r"\(")):
        read_manifest(path)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (["a.avi,x,1,10000,0.02", "b.avi,x,1,10000,0.02"], "replicate: '1' of 'x' stands 2 times"),
        (["a.avi,x,1,10000,0.02", "./a.avi,x,2,10000,0.02"], "the same recording"),
        (
            ["a.avi,x,1,10,0.02", "b.avi,x,2,10000,0.02", "c.avi,x,3,10000,0.02"],
            "row 2, record_rate_hz: 10 where .* mixed units",
        ),
        (
            ["a.avi,x,1,10000,20", "b.avi,x,2,10000,0.02", "c.avi,x,3,10000,0.02"],
            "row 2, mm_per_px: 20 .* mixed units",
        ),
        (["a.avi,flat-top,1,10000,0.02", "b.avi,Flat top,2,10000,0.02"], "differ in spelling only"),
        (["a.avi,x,1,-5,0.02"], "record_rate_hz.*greater than 0"),
        (["a.avi,x,1,nan,0.02"], "record_rate_hz: 'nan' is not a plain number"),
        (["a.avi,x,1,1e999,0.02"], "too large"),
        (['a.avi,x,1,"10,000",0.02'], "can be read in two ways"),
        (["a.avi,x,1,10000,0.02,7"], "line 2 has more cells"),
        (["a.avi,x,1,10000,0.02", '"a'], "is no table of cells|unexpected end"),
    ],
)
def test_wrong_rows(place: Path, rows: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_manifest(write(place, HEADER, *rows))


def test_same_replicate_under_another_factor_setting_is_another_weld(place: Path) -> None:
    path = write(place, HEADER + ",factor_power", "a.avi,x,1,10000,0.02,1", "b.avi,x,1,10000,0.02,2")
    assert len(read_manifest(path).entries) == 2


def test_columns_not_used_are_remarked(place: Path) -> None:
    path = write(place, HEADER + ",weather", "a.avi,x,1,10000,0.02,dry", "b.avi,y,1,10000,0.02,dry")
    assert read_manifest(path).remarks == ("columns not used: weather",)


def test_a_planned_run_sheets_own_column_is_no_remark(place: Path) -> None:
    path = write(place, "run," + HEADER, "1,a.avi,x,1,10000,0.02", "2,b.avi,y,1,10000,0.02")
    assert read_manifest(path).remarks == ()


@pytest.mark.parametrize(
    ("first", "second", "slip"),
    [
        ("flat-top", "flat-topp", True),
        ("single-spot", "sinlge-spot", True),
        ("crescent", "cresent", True),
        ("crescent", "crescemt", True),
        ("ring-30", "ring-40", False),
        ("ring_a", "ring_b", False),
        ("ring30", "ring35", False),
        ("cone 20", "core 25", False),
        ("single-spot", "twin-spot", False),
        ("sinus", "minutes", False),
    ],
)
def test_beam_shapes_that_may_be_one_mistyped_are_remarked(
    place: Path, first: str, second: str, slip: bool
) -> None:
    path = write(place, HEADER, f"a.avi,{first},1,10000,0.02", f"b.avi,{second},1,10000,0.02")
    remarks = read_manifest(path).remarks
    assert len(remarks) == slip
    if slip:
        assert first in remarks[0]
        assert second in remarks[0]


def test_scale_file_gives_the_scale_and_its_uncertainty(place: Path) -> None:
    (place / "s.toml").write_text("[scale]\nmm_per_px = 0.021\nu_mm_per_px = 0.0002\n")
    path = write(place, "clip,beam_shape,replicate,record_rate_hz,scale", "a.avi,x,1,10000,s.toml")
    recording = read_manifest(path).entries[0].recording
    assert (recording.mm_per_px, recording.mm_per_px_u) == (0.021, 0.0002)
    both = write(place, HEADER + ",scale", "a.avi,x,1,10000,0.02,s.toml")
    with pytest.raises(UsageError, match="keep one"):
        read_manifest(both)


def test_settings_files_are_checked_once_each(place: Path) -> None:
    (place / "s.toml").write_text("x = 1\n")
    seen = []

    def check(path: Path) -> None:
        seen.append(path)
        raise UsageError(f"{path}: unknown setting 'x'")

    path = write(place, HEADER + ",settings", "a.avi,x,1,10000,0.02,s.toml", "b.avi,x,2,10000,0.02,s.toml")
    with pytest.raises(UsageError, match=r"row 2, settings: .*unknown setting 'x'(.|\n)*row 3, settings"):
        read_manifest(path, check_settings=check)
    assert len(seen) == 1


def test_formula_like_words_stay_text(place: Path) -> None:
    path = write(place, HEADER + ",factor_note", 'a.avi,"=1+1",1,10000,0.02,"=HYPERLINK(""x"")"')
    entry = read_manifest(path).entries[0]
    assert entry.recording.beam_shape == "=1+1"
    assert entry.factors["factor_note"] == '=HYPERLINK("x")'


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\x00\x01\x02", HEADER.encode()])
def test_empty_or_no_table(place: Path, content: bytes) -> None:
    (place / "manifest.csv").write_bytes(content)
    with pytest.raises(UsageError, match=r"manifest\.csv"):
        read_manifest(place / "manifest.csv")


def test_missing_manifest(place: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        read_manifest(place / "none.csv")


def test_two_clips_of_one_name_get_folders_that_do_not_depend_on_the_order() -> None:
    names = folder_names(["monday/w.avi", "tuesday/w.avi"])
    assert len(set(names)) == 2
    assert folder_names(["tuesday/w.avi", "monday/w.avi"]) == names[::-1]


def test_names_that_differ_in_case_only_do_not_meet() -> None:
    first, second = folder_names(["a/W.avi", "b/w.avi"])
    assert first.casefold() != second.casefold()


@settings(deadline=None)
@given(st.lists(st.text(min_size=1), unique=True, min_size=1, max_size=8))
def test_folders_stay_inside_and_never_meet(clips: list[str]) -> None:
    names = folder_names(clips)
    assert len({name.casefold() for name in names}) == len(clips)
    for name in names:
        assert name not in ("", ".", "..")
        assert not set(name) & set('/\\:*?"<>|\0')
        assert len(name.encode()) < 255
        assert (Path("/trial") / name).resolve().parent == Path("/trial")


@pytest.mark.parametrize(
    "clip", ["..", "../../etc/passwd", "C:\\..\\..\\x.avi", "con.avi", "scores.csv", "...avi", "/"]
)
def test_names_that_would_leave_the_folder(clip: str) -> None:
    (name,) = folder_names([clip])
    assert (Path("/trial") / name).resolve().parent == Path("/trial")
    assert name.lower() not in ("con", "scores", "ranking", "report")


# Names that Windows keeps for devices, with any ending and in any case ("Naming Files, Paths, and Namespaces",
# Microsoft's documentation of the Windows API); superscript digits count.
@pytest.mark.parametrize(
    "clip", ["con.avi", "AUX.2.avi", "nul .x.avi", "Com1.avi", "lpt9.a.b.mp4", "com\u00b9.avi", "conin$.avi"]
)
def test_no_folder_is_named_like_a_device(clip: str) -> None:
    for name in (safe_name(clip), *folder_names([clip]), *folder_names([clip, "x/" + clip])):
        base = unicodedata.normalize("NFKC", name.split(".")[0].rstrip()).lower()
        assert re.fullmatch(r"con|prn|aux|nul|conin\$|conout\$|(com|lpt)\d", base) is None


@given(st.text(min_size=1, max_size=30))
def test_no_folder_ends_in_a_dot_or_blank_and_names_of_everyday_stay(clip: str) -> None:
    for folder in (False, True):
        name = safe_name(clip, folder=folder)
        assert name
        assert not name.startswith((" ", "."))
        assert not name.endswith((" ", "."))
    assert safe_name("weld 3_b-1.avi") == "weld 3_b-1"
    assert safe_name("stills.v2", folder=True) == "stills.v2"


def test_values_out_of_range_are_named_beside_other_faults_of_their_row(place: Path) -> None:
    path = write(place, HEADER + ",travel_speed_mm_s", "a.avi,,1,10000,-0.03,6 m/min", ",crescent,2,0,0.02,")
    with pytest.raises(UsageError) as refused:
        read_manifest(path)
    said = str(refused.value)
    for words in (
        "row 2: beam_shape to be filled in",
        "row 2, travel_speed_mm_s: '6 m/min'",
        "row 3: clip to be filled in",
    ):
        assert words in said
    assert "row 2: 'mm_per_px'" in said
    assert "row 3: 'record_rate_hz'" in said


def test_facts_of_the_weld_for_the_report_are_read(place: Path) -> None:
    more = "title,date,welder,laser_power_w,beam_picture"
    rows = (
        "a.avi,x,1,10000,0.02,Ring beams,2026-11-29,A. Example,2500,",
        "b.avi,y,1,10000,0.02,,,,,gone.png",
    )
    first, second = read_manifest(write(place, f"{HEADER},{more}", *rows)).entries
    assert first.weld == {
        "title": "Ring beams",
        "date": "2026-11-29",
        "welder": "A. Example",
        "laser_power_w": 2500.0,
        "beam_picture": None,
    }
    # A picture that is missing keeps no weld from being measured.
    assert second.weld["beam_picture"] == "gone.png"
    wrong = write(place, f"{HEADER},laser_power_w", "a.avi,x,1,10000,0.02,much", "b.avi,y,1,10000,0.02,1")
    with pytest.raises(UsageError, match="row 2, laser_power_w"):
        read_manifest(wrong)
