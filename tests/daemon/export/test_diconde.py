"""The image file, as pydicom reads it."""

from __future__ import annotations

from datetime import UTC as WORLD
from datetime import datetime
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.pixels.processing import apply_rescale
from pydicom.uid import SecondaryCaptureImageStorage

import swathe
from daemon.exports import MAP, MAP_TEXT, write_map, write_survey_of
from daemon.handmade import Motion, station_text
from swathe.errors import SwatheError
from swathe.export import diconde, export_survey
from swathe.pipeline import CellState


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the survey penstock-3 and its image, image.dcm."""
    folder = tmp_path_factory.mktemp("image")
    export_survey(write_map(folder / "penstock-3"), "diconde", folder / "image.dcm")
    return folder


def test_pixels_are_the_thickness_in_mm(path: Path) -> None:
    """By the rescale and by the mapping to real-world values, to half a step of 0.001 mm."""
    image = pydicom.dcmread(path / "image.dcm")
    expected = swathe.open_survey(path / "penstock-3").arrays().thickness.to_numpy()
    pixels = image.pixel_array
    read = np.isfinite(expected)
    np.testing.assert_array_equal(pixels > 0, read)
    values = apply_rescale(pixels, image)
    np.testing.assert_allclose(values[read], expected[read], atol=0.00051)
    (mapping,) = image.RealWorldValueMappingSequence
    real = pixels * mapping.RealWorldValueSlope + mapping.RealWorldValueIntercept
    np.testing.assert_allclose(real[read], expected[read], atol=0.00051)
    (unit,) = mapping.MeasurementUnitsCodeSequence
    assert (unit.CodeValue, unit.CodingSchemeDesignator) == ("mm", "UCUM")
    assert mapping.RealWorldValueLastValueMapped == pixels.max()
    assert image.PixelPaddingValue == 0


def test_overlays_are_the_states(path: Path) -> None:
    """Each plane marks its cells, and every cell is a pixel with a value or in a plane."""
    image = pydicom.dcmread(path / "image.dcm")
    arrays = swathe.open_survey(path / "penstock-3").arrays().load()
    planes = {
        image[group, 0x1500].value: image.overlay_array(group).astype(bool)
        for group in range(0x6000, 0x6008, 2)
    }
    assert list(planes) == ["no reading", "excluded", "suspect", "unconfirmed"]
    state = arrays.state.to_numpy()
    unread = (state != CellState.MEASURED) & (state != CellState.SUSPECT)
    np.testing.assert_array_equal(planes["no reading"], unread)
    assert np.argwhere(planes["unconfirmed"]).tolist() == [[3, 20]]
    assert not planes["excluded"].any()
    assert ((image.pixel_array > 0) | planes["no reading"]).all()


def test_excluded_and_suspect_cells_have_their_planes(tmp_path: Path) -> None:
    """An excluded cell has no value though it was read."""
    zone = '[[exclude]]\nname = "lug"\nscan = ["4 mm", "6 mm"]\nindex = ["0 mm", "1 mm"]'
    text = MAP_TEXT.replace("[calibration]", f"{zone}\n[calibration]")
    folder = write_survey_of(tmp_path / "map", text, MAP)
    image = pydicom.dcmread(export_survey(folder, "diconde", tmp_path / "image.dcm"))
    excluded = swathe.open_survey(folder.path).arrays().state.to_numpy() == CellState.EXCLUDED
    assert np.count_nonzero(excluded) == 6
    np.testing.assert_array_equal(image.overlay_array(0x6002).astype(bool), excluded)
    assert not image.pixel_array[excluded].any()
    assert not (image.overlay_array(0x6000).astype(bool) & excluded).any()


def test_attributes_are_what_the_survey_knows(path: Path) -> None:
    """Object class, part, people, times, spacing and origin; what is not known is empty."""
    image = pydicom.dcmread(path / "image.dcm")
    assert image.SOPClassUID == SecondaryCaptureImageStorage
    assert (image.PatientName, image.OperatorsName) == ("Penstock 3, belt", "A. Kern")
    assert image.PatientID == image.StudyID == image.Manufacturer == ""
    assert image.PixelSpacing == [1, 1]
    assert image.MaterialThickness == 12
    begun = datetime.fromtimestamp(1_800_000_000, WORLD)
    assert image.StudyDate + image.StudyTime == f"{begun:%Y%m%d%H%M%S}.000000"
    block = image.private_block(diconde.PRIVATE_GROUP, diconde.PRIVATE_CREATOR)
    assert [block[number].value for number in (1, 2, 3, 4)] == [0, 0, 1, 1]
    comments = image.ImageComments
    assert "gaps open" in comments
    assert "no statement of fitness for service" in comments
    assert "scan 0 mm, index 0 mm" in comments
    checked = {"CS", "SH", "LO", "DA", "TM", "UI"}
    for element in image.iterall():
        # The overlays' groups repeat: pydicom names them by their mask alone.
        repeats = 0x6000 <= element.tag.group < 0x6008
        assert element.tag.is_private or element.keyword or repeats, element
        if element.VR in checked:
            for value in element.value if element.VM > 1 else [element.value]:
                pydicom.valuerep.validate_value(element.VR, value, pydicom.config.RAISE)


def test_the_same_survey_has_the_same_identity(path: Path, tmp_path: Path) -> None:
    """Exported again it is the same object, byte for byte."""
    folder = swathe.open_survey(path / "penstock-3")
    again = folder.export("diconde", tmp_path / "again.dcm")
    assert again.read_bytes() == (path / "image.dcm").read_bytes()


def test_a_thick_wall_has_a_coarser_step(tmp_path: Path) -> None:
    """A wall of 92 mm does not fit into 16 bits of 0.001 mm."""
    text = MAP_TEXT.replace("12 mm", "90 mm").replace('"1 mm"', '"2 mm"', 1)
    motion = Motion(
        place=MAP.place, wall=lambda _: 92.0, first=0, last=900, sample_ms=5, reading_ms=4
    )
    folder = write_survey_of(tmp_path / "thick", text, motion)
    image = pydicom.dcmread(export_survey(folder, "diconde", tmp_path / "image.dcm"))
    assert image.RescaleSlope == 0.01
    assert image.PixelSpacing == [1, 2]  # from row to row is along the index axis
    assert apply_rescale(image.pixel_array, image).max() == pytest.approx(92.0, abs=0.005)


def test_what_is_no_image_is_refused(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line, and a map of more cells than an image may have."""
    motion = Motion(place=lambda ms: (ms / 10,), wall=lambda _: 10.0, first=0, last=200)
    folder = write_survey_of(tmp_path / "line", station_text(scan_length=20), motion)
    with pytest.raises(SwatheError, match="has no map"):
        export_survey(folder, "diconde", tmp_path / "image.dcm")
    monkeypatch.setattr(diconde, "_MOST_CELLS", 20)
    with pytest.raises(SwatheError, match="6 x 21 cells"):
        swathe.open_survey(path / "penstock-3").export("diconde", tmp_path / "image.dcm")
