"""EXIF, XMP and ICC, in and out; alone imports the metadata library."""

from merge.metadata.exif import build_exif_block, build_exif_ifds
from merge.metadata.icc import (
    RAW_TRANSFER,
    optional_profile,
    profile_channels,
    profile_transfer,
    same_colours,
    uses_optional_colours,
    working_profile,
)
from merge.metadata.settings import merge_settings, plausible_settings, read_settings
from merge.metadata.xmp import PROVENANCE_NAMESPACE, build_xmp, own_content
