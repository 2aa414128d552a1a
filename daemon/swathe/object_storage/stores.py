"""One bucket, or one folder that stands for it: what is read, listed, written and removed there.

Each call waits for the network. A link that fails is a `StorageError`, never a file that is missing or
damaged: whoever reads must not take the one for the other.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, cast

from swathe.errors import SwatheError
from swathe.object_storage.settings import s3_settings

if TYPE_CHECKING:
    from obstore.store import ObjectStore, S3Config

__all__ = ["Bucket", "StorageError", "StoredObject", "storage_of"]

PART_BYTES = 8 << 20
"""Files of more bytes are sent in parts of so many, two at a time."""

_NO_BUCKET = "there is no such bucket: check the name, or create it"
_REFUSED = "is refused: check AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY and what they may do"
# Of a listing, which the library does not tell from other failures.
_STATUS_REFUSED = re.compile(r"status code: 40[13]\b")
_RETRY_SECONDS = 20
_CONNECT_SECONDS = 5
_REQUEST_SECONDS = 60


class StorageError(SwatheError):
    """An object storage cannot be reached, or refuses what is asked.

    Attributes:
        url: of the bucket or object.
    """

    def __init__(self, url: str, message: str) -> None:
        self.url = url
        super().__init__(f"{url}: {message}")


class StoredObject(NamedTuple):
    """An object: its key, its size, and the storage's own tag of its contents, without quotes."""

    key: str
    size: int
    tag: str


class Bucket:
    """The objects of a bucket.

    Args:
        store: of the library.
        url: of the bucket, for messages; ends without ``/``.
    """

    def __init__(self, store: ObjectStore, url: str) -> None:
        self._store = store
        self.url = url

    def head(self, key: str) -> StoredObject | None:
        """Return an object; None if there is none.

        Raises:
            StorageError: it cannot be found out.
        """
        import obstore

        try:
            with self._asked(key):
                found = obstore.head(self._store, key)
        except FileNotFoundError:
            return None
        return StoredObject(key, int(found["size"]), str(found["e_tag"] or "").strip('"'))

    def read(self, key: str, *, limit: int) -> bytes:
        """Return an object's contents, of which no more than `limit` + 1 bytes are taken.

        Raises:
            FileNotFoundError: there is none.
            StorageError: it cannot be read.
        """
        import obstore

        with self._asked(key):
            got = obstore.get(self._store, key)
            if int(got.meta["size"]) > limit:
                return bytes(obstore.get_range(self._store, key, start=0, length=limit + 1))
            return bytes(got.bytes())

    def read_range(self, key: str, start: int, length: int) -> bytes:
        """Return bytes of an object.

        Raises:
            FileNotFoundError: there is none.
            StorageError: it cannot be read.
        """
        import obstore

        with self._asked(key):
            return bytes(obstore.get_range(self._store, key, start=start, length=length))

    def below(self, prefix: str) -> Iterator[StoredObject]:
        """Yield the objects below a prefix, which is a whole part of their keys, by key.

        Raises:
            StorageError: they cannot be listed.
        """
        import obstore

        with self._asked(prefix):
            found = [
                StoredObject(one["path"], int(one["size"]), str(one["e_tag"] or "").strip('"'))
                for page in obstore.list(self._store, prefix=prefix or None, chunk_size=1000)
                for one in page
            ]
        yield from sorted(found)

    def entries(self, prefix: str) -> tuple[list[str], list[StoredObject]]:
        """Return what is just below a prefix: prefixes without their ``/``, and objects.

        Raises:
            StorageError: they cannot be listed.
        """
        import obstore

        with self._asked(prefix):
            found = obstore.list_with_delimiter(self._store, prefix=prefix or None)
        objects = [
            StoredObject(one["path"], int(one["size"]), str(one["e_tag"] or "").strip('"'))
            for one in found["objects"]
        ]
        return [one.rstrip("/") for one in found["common_prefixes"]], objects

    def put(self, key: str, data: bytes | BinaryIO) -> None:
        """Write an object; a large file is read and sent in parts.

        Raises:
            StorageError: it cannot be written.
        """
        import obstore

        with self._asked(key):
            whole = isinstance(data, bytes)
            obstore.put(
                self._store,
                key,
                data,
                use_multipart=not whole,
                chunk_size=PART_BYTES,
                max_concurrency=2,
            )

    def remove(self, key: str) -> None:
        """Remove an object; nothing happens if there is none.

        Raises:
            StorageError: it cannot be removed.
        """
        import obstore

        try:
            with self._asked(key):
                obstore.delete(self._store, key)
        except FileNotFoundError:
            return

    @contextmanager
    def _asked(self, key: str) -> Iterator[None]:
        """Let what the library raises be a `StorageError`, or a `FileNotFoundError`."""
        from obstore.exceptions import (
            BaseError,
            PermissionDeniedError,
            UnauthenticatedError,
        )

        url = f"{self.url}/{key}"
        try:
            yield
        except FileNotFoundError as error:
            if "NoSuchBucket" in str(error):
                raise StorageError(self.url, _NO_BUCKET) from error
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), url) from error
        except (PermissionDeniedError, UnauthenticatedError) as error:
            raise StorageError(url, _REFUSED) from error
        except (BaseError, ValueError) as error:
            if "NoSuchBucket" in str(error):
                raise StorageError(self.url, _NO_BUCKET) from error
            if _STATUS_REFUSED.search(str(error)):
                raise StorageError(url, _REFUSED) from error
            raise StorageError(url, f"cannot be reached: {_first_line(error)}") from error
        except OSError as error:
            raise StorageError(url, error.strerror or _first_line(error)) from error


def _first_line(error: Exception) -> str:
    """Return what an error of the library states in its first line, without its own address."""
    line = str(error).splitlines()[0] if str(error) else type(error).__name__
    return (line.partition(" - ")[2] or line).partition(": <?xml")[0]


def require_library() -> None:
    """Check that the extra ``storage`` is installed.

    Raises:
        SwatheError: it is not.
    """
    if find_spec("obstore") is None:
        message = "obstore is not installed: run `pip install 'swathe[storage]'`"
        raise SwatheError(message)


@lru_cache(64)
def storage_of(scheme: str, bucket: str, *, patient: bool = True) -> Bucket:
    """Return a bucket; for the scheme ``file``, the folder `bucket`.

    Args:
        scheme: ``s3`` or ``file``.
        bucket: its name, or the path of a folder, which is created.
        patient: whether a request that fails is repeated for some seconds.

    Raises:
        StorageError: there is no way to be known by the storage.
        SwatheError: the extra ``storage`` is not installed.
    """
    require_library()
    from obstore.store import LocalStore, S3Store

    if scheme == "file":
        return Bucket(LocalStore(Path(bucket), mkdir=True), f"file://{bucket}")
    url = f"{scheme}://{bucket}"
    settings, known = s3_settings()
    if not known:
        message = (
            "no credentials: set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or write "
            "~/.aws/credentials; of a public bucket, set AWS_SKIP_SIGNATURE=true"
        )
        raise StorageError(url, message)
    try:
        store = S3Store(
            bucket,
            config=cast("S3Config", settings),
            client_options={
                "allow_http": settings.get("endpoint", "").startswith("http://"),
                "connect_timeout": timedelta(seconds=_CONNECT_SECONDS),
                "timeout": timedelta(seconds=_REQUEST_SECONDS),
            },
            retry_config={
                "max_retries": 5 if patient else 0,
                "retry_timeout": timedelta(seconds=_RETRY_SECONDS),
            },
        )
    except Exception as error:
        raise StorageError(url, f"cannot be used: {_first_line(error)}") from error
    return Bucket(store, url)
