"""What a copy of an angiogram without identifiers keeps: these elements, and nothing else.

The basic profile [@dicomps315] lists what must go. Here it is the other way round: what the picture, its geometry and its
timing need is listed, everything else goes, private elements and those not yet invented too. Every element of the profile's table
then is as the table asks or absent, which tests/published/test_deidentification.py holds to the table.
"""

from __future__ import annotations

NUMBERS = frozenset(
    """
    SamplesPerPixel Rows Columns BitsAllocated BitsStored HighBit PixelRepresentation NumberOfFrames PixelAspectRatio
    FrameTime FrameTimeVector CineRate RecommendedDisplayFrameRate FrameDelay ActualFrameDuration StartTrim StopTrim
    RWavePointer RepresentativeFrameNumber PixelIntensityRelationshipSign KVP XRayTubeCurrent ExposureTime Exposure
    AveragePulseWidth ImagerPixelSpacing PixelSpacing IntensifierSize FieldOfViewDimensions FieldOfViewOrigin
    FieldOfViewRotation DistanceSourceToPatient DistanceSourceToDetector DistanceSourceToIsocenter
    EstimatedRadiographicMagnificationFactor PositionerPrimaryAngle PositionerSecondaryAngle
    PositionerPrimaryAngleIncrement PositionerSecondaryAngleIncrement DetectorPrimaryAngle DetectorSecondaryAngle
    TableVerticalIncrement TableLateralIncrement TableLongitudinalIncrement TableAngle ShutterLeftVerticalEdge
    ShutterRightVerticalEdge ShutterUpperHorizontalEdge ShutterLowerHorizontalEdge CenterOfCircularShutter
    RadiusOfCircularShutter VerticesOfThePolygonalShutter ShutterPresentationValue WindowCenter WindowWidth
    RescaleIntercept RescaleSlope InstanceNumber SeriesNumber AcquisitionNumber LossyImageCompressionRatio
    FieldOfViewDimensionsInFloat LUTDescriptor FrameAcquisitionNumber
    """.split()
)
"""Kept where they are numbers; what is no number is dropped."""

WORDS: dict[str, frozenset[str]] = {
    "Modality": frozenset({"XA"}),
    "ImageType": frozenset(
        {"ORIGINAL", "DERIVED", "PRIMARY", "SECONDARY", "SINGLE PLANE", "BIPLANE A", "BIPLANE B", "SINGLE A",
         "SINGLE B", "VOLUME", "NONE"}
    ),
    "PhotometricInterpretation": frozenset({"MONOCHROME1", "MONOCHROME2"}),
    "PixelIntensityRelationship": frozenset({"LIN", "LOG", "DISP"}),
    "PositionerMotion": frozenset({"STATIC", "DYNAMIC"}),
    "PositionerType": frozenset({"CARM", "COLUMN"}),
    "PatientPosition": frozenset({"HFS", "HFP", "HFDR", "HFDL", "FFS", "FFP", "FFDR", "FFDL"}),
    "BodyPartExamined": frozenset({"HEART", "CHEST", "CORONARYARTERY"}),
    "LossyImageCompression": frozenset({"00", "01"}),
    "LossyImageCompressionMethod": frozenset({"ISO_10918_1", "ISO_14495_1", "ISO_15444_1"}),
    "RadiationSetting": frozenset({"SC", "GR"}),
    "RadiationMode": frozenset({"CONTINUOUS", "PULSED"}),
    "ShutterShape": frozenset({"RECTANGULAR", "CIRCULAR", "POLYGONAL"}),
    "FieldOfViewShape": frozenset({"ROUND", "RECTANGLE", "HEXAGONAL"}),
    "FieldOfViewHorizontalFlip": frozenset({"YES", "NO"}),
    "TableMotion": frozenset({"STATIC", "DYNAMIC"}),
    "ModalityLUTType": frozenset({"US", "OD", "HU"}),
    "PresentationLUTShape": frozenset({"IDENTITY", "INVERSE"}),
    "PixelDataAreaOriginRelativeToFOV": frozenset(),
}  # fmt: skip
"""Kept where every value is one of the standard's own words."""

FRAME_POINTERS = frozenset({0x00181063, 0x00181065})
"""Frame Time and its vector: what the frame increment may point to."""

UIDS = frozenset({"SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID"})
"""Replaced, the same by the same throughout one export."""

MOMENTS = ("Study", "Series", "Acquisition", "Content")
"""`...Date` with its `...Time`: shifted together."""
WHOLE_MOMENTS = frozenset({"AcquisitionDateTime", "FrameAcquisitionDateTime", "FrameReferenceDateTime"})

EMPTY = (
    "PatientBirthDate PatientSex StudyID AccessionNumber ReferringPhysicianName PatientOrientation Manufacturer "
    "StudyDate StudyTime KVP ExposureTime XRayTubeCurrent Exposure SeriesNumber InstanceNumber"
).split()
"""Must be there, may be empty (type 2): added empty where not kept."""

SEQUENCES = frozenset(
    """
    SharedFunctionalGroupsSequence PerFrameFunctionalGroupsSequence XRayGeometrySequence PositionerPositionSequence
    FramePixelDataPropertiesSequence FieldOfViewSequence ModalityLUTSequence FrameContentSequence
    XRayFieldOfViewSequence FrameVOILUTSequence PixelIntensityRelationshipLUTSequence
    """.split()
)
"""Kept, with only what is listed here inside."""

CHARACTERS = "ISO_IR 192"
METHOD = ("Basic profile: what is not listed to be kept is removed", "Dates shifted")
OWN_TEXTS = frozenset({CHARACTERS, *METHOD, "YES", "NO", "MODIFIED", "DCM", "113100", "113101", "113107"})
"""Texts that every copy says of itself."""
