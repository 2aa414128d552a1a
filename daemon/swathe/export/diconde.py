"""The map of thickness as an image of the standard for imaging in non-destructive evaluation.

That standard (ASTM E2339 and its family) uses the files, attributes and object classes of DICOM, in which the part
takes the place of the patient. Names, value types and object classes are those of pydicom's dictionary;
what each is for in that standard is from memory. The object class is the plain one for images that
were computed elsewhere: no claim is made to be an object of an ultrasonic method, whose modules
require what a survey does not know.
"""

from __future__ import annotations

import hashlib
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathe.errors import SwatheError
from swathe.evaluation.cells import CellSource
from swathe.export.source import ExportSource, require

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["PRIVATE_CREATOR", "PRIVATE_GROUP", "write_image"]

PRIVATE_CREATOR = "SWATHE GRID"
PRIVATE_GROUP = 0x0021
"""Attributes of our own: positions of the first cell's centre and lengths of a cell, mm."""

_MOST_CELLS = 65_535  # a side, and the highest value of a pixel
_MOST_BYTES = 1 << 32  # of the pixels
_STEP = 0.001
# Of the names of parts and people, which a standard's separators end.
_SEPARATORS = str.maketrans("^=\\", "   ")
_OVERLAYS = ("no reading", "excluded", "suspect", "unconfirmed")


def write_image(source: ExportSource, path: Path) -> None:
    """Write the thickness of each cell as a pixel: value times slope is mm; 0 is no thickness.

    The slope is 0.001 mm, or more where the thickest cell requires it. Overlay planes mark required
    cells without a reading, excluded, suspect and unconfirmed cells; of the latter two the pixels
    have the value that was read.

    Args:
        source: the survey.
        path: a file that is there, and is written over.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: there is no map, it is too large for an image, or a package is missing.
    """
    require("pydicom")
    from pydicom import Dataset
    from pydicom.dataset import FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, SecondaryCaptureImageStorage

    cells = CellSource.of(source.arrays)
    _refuse(source, cells)
    pixels, overlays, slope = _pixels(cells)
    image = Dataset()
    _identify(image, source, pixels)
    image.SOPClassUID = SecondaryCaptureImageStorage
    image.file_meta = FileMetaDataset()
    image.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    _describe(image, source, cells)
    _add_pixels(image, pixels, slope)
    for number, plane in enumerate(overlays):
        _add_overlay(image, number, plane)
    image.save_as(path, enforce_file_format=True)


def _refuse(source: ExportSource, cells: CellSource) -> None:
    if source.record.spots or cells.index.cells == 1:
        message = f"{source.folder.path}: has no map: it is one line, or spots; --to csv has them"
        raise SwatheError(message)
    rows, columns = cells.shape
    if max(rows, columns) > _MOST_CELLS or 2 * rows * columns >= _MOST_BYTES:
        message = (
            f"{source.folder.path}: has {rows:,} x {columns:,} cells, and an image {_MOST_CELLS:,} a "
            "side and 4 GB at most; --to netcdf has all of them"
        )
        raise SwatheError(message)


def _pixels(
    cells: CellSource,
) -> tuple[NDArray[np.uint16], list[NDArray[np.bool_]], float]:
    """Return pixels, overlay planes in the order of their names, and mm for a step of a pixel."""
    highest = 0.0
    for band in cells.bands():
        values = band.thickness[band.sound | band.apart]
        highest = max(highest, float(values.max(initial=0)))
    slope = _STEP
    while highest / slope > _MOST_CELLS:
        slope *= 10
    pixels = np.zeros(cells.shape, np.uint16)
    planes = [np.zeros(cells.shape, bool) for _ in _OVERLAYS]
    for band in cells.bands():
        rows = slice(band.row, band.row + band.state.shape[0])
        read = band.sound | band.apart
        steps = np.rint(np.where(read, band.thickness, 0).astype(np.float64) / slope)
        # 0 is no thickness: a wall that is thinner than half a step is one.
        pixels[rows] = np.where(read, np.maximum(steps, 1), 0)
        marked = (~read & ~band.excluded, band.excluded, band.suspect, band.unconfirmed)
        for plane, mark in zip(planes, marked, strict=True):
            plane[rows] = mark
    return pixels, planes, slope


def _identify(image: Dataset, source: ExportSource, pixels: NDArray[np.uint16]) -> None:
    """Set who, what and when; what is not known is empty."""
    record = source.record
    begun = datetime.fromtimestamp(source.folder.first_start() / 1e9, UTC)
    image.SpecificCharacterSet = "ISO_IR 192"
    image.ImageType = ["DERIVED", "PRIMARY"]
    image.Modality = "US"
    image.ConversionType = "SYN"
    image.TimezoneOffsetFromUTC = "+0000"
    for prefix, when in (("Study", begun), ("Series", begun), ("Content", record.progress.time)):
        setattr(image, f"{prefix}Date", f"{when:%Y%m%d}")
        setattr(image, f"{prefix}Time", f"{when:%H%M%S.%f}")
    image.PatientName = _text(record.part, 64)
    for name in ("PatientID", "PatientBirthDate", "PatientSex", "StudyID", "AccessionNumber"):
        setattr(image, name, "")
    image.ReferringPhysicianName = image.Manufacturer = ""
    image.OperatorsName = [_text(one, 64) for one in record.operators or (record.operator,) if one]
    image.SoftwareVersions = source.about()["written_by"]
    image.SeriesNumber, image.InstanceNumber = 1, 1
    image.StudyInstanceUID = _identity(record.survey)
    image.SeriesInstanceUID = _identity(record.survey, "thickness")
    image.SOPInstanceUID = _identity(
        record.survey, "thickness", hashlib.sha256(pixels.data).hexdigest()
    )


def _describe(image: Dataset, source: ExportSource, cells: CellSource) -> None:
    """Set what the values are of, and where they are on the part."""
    rule = source.arrays["thickness"].attrs.get("comment", "")
    image.SeriesDescription = _text(f"wall thickness, {rule}", 64)
    scan, index = cells.scan, cells.index
    image.PixelSpacing = [index.resolution, scan.resolution]
    lines = [f"{name.replace('_', ' ')}: {text}" for name, text in source.about().items()]
    lines.append(
        "columns: along the scan axis; rows: along the index axis; the first pixel's centre is at "
        f"scan {scan.start:g} mm, index {index.start:g} mm, on the scanned surface"
    )
    image.ImageComments = "\r\n".join(lines).replace("\\", "/")[:10_240]
    if (scale := source.record.scale) is not None:
        image.WindowCenter = round((scale.low + scale.high) / 2, 3)
        image.WindowWidth = round(scale.high - scale.low, 3)
    nominal = source.arrays.attrs.get("nominal_thickness_mm")
    if nominal is not None:
        image.MaterialThickness = nominal
    block = image.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    for number, value in enumerate((scan.start, index.start, scan.resolution, index.resolution), 1):
        block.add_new(number, "FD", value)


def _add_pixels(image: Dataset, pixels: NDArray[np.uint16], slope: float) -> None:
    from pydicom import Dataset

    image.Rows, image.Columns = pixels.shape
    image.SamplesPerPixel, image.PixelRepresentation = 1, 0
    image.PhotometricInterpretation = "MONOCHROME2"
    image.BitsAllocated = image.BitsStored = 16
    image.HighBit = 15
    image.add_new("PixelPaddingValue", "US", 0)
    image.RescaleIntercept, image.RescaleSlope = "0", f"{slope:g}"
    image.RescaleType = "US"  # unspecified; the unit is in the mapping to real-world values
    unit = Dataset()
    unit.CodeValue, unit.CodingSchemeDesignator, unit.CodeMeaning = "mm", "UCUM", "millimeter"
    mapping = Dataset()
    mapping.add_new("RealWorldValueFirstValueMapped", "US", 1)
    mapping.add_new("RealWorldValueLastValueMapped", "US", max(int(pixels.max()), 1))
    mapping.RealWorldValueIntercept, mapping.RealWorldValueSlope = 0.0, slope
    mapping.LUTLabel, mapping.LUTExplanation = "THICKNESS", "wall thickness"
    mapping.MeasurementUnitsCodeSequence = [unit]
    image.RealWorldValueMappingSequence = [mapping]
    image.add_new("PixelData", "OW", pixels.astype("<u2").tobytes())


def _add_overlay(image: Dataset, number: int, plane: NDArray[np.bool_]) -> None:
    """Add a plane of one bit a cell."""
    from pydicom.pixels.utils import pack_bits

    group = 0x6000 + 2 * number
    for element, kind, value in (
        (0x0010, "US", plane.shape[0]),
        (0x0011, "US", plane.shape[1]),
        (0x0022, "LO", f"cells: {_OVERLAYS[number]}"),
        (0x0040, "CS", "G"),
        (0x0050, "SS", [1, 1]),
        (0x0100, "US", 1),
        (0x0102, "US", 0),
        (0x1500, "LO", _OVERLAYS[number]),
        (0x3000, "OW", pack_bits(plane.astype(np.uint8))),
    ):
        image.add_new((group, element), kind, value)


def _text(text: str, most: int) -> str:
    """Return a text without the standard's separators, of no more characters than it allows."""
    return " ".join(text.translate(_SEPARATORS).split())[:most]


def _identity(*parts: str) -> str:
    """Return an identifier that is always the same for the same parts: a UUID below 2.25."""
    return f"2.25.{uuid.uuid5(uuid.NAMESPACE_OID, '/'.join(parts)).int}"
