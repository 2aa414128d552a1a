"""Surveys on object storage: a URL such as ``s3://surveys/penstock-3`` instead of a folder, for reading."""

from swathe.object_storage.files import ObjectFolder, files_of
from swathe.object_storage.paths import ObjectPath, checked_copy_url, has_scheme, survey_path
from swathe.object_storage.stores import Bucket, StorageError, storage_of

__all__ = [
    "Bucket",
    "ObjectFolder",
    "ObjectPath",
    "StorageError",
    "checked_copy_url",
    "files_of",
    "has_scheme",
    "storage_of",
    "survey_path",
]
