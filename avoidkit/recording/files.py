"""Files of recordings: a stream that survives a kill while driving, one Parquet file at the end."""

import os
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.recording.columns import FORMAT_VERSION, schema

ROWS_PER_GROUP = 400  # rows that are decoded together: 20 s at 20 Hz
GREATEST_FILE_BYTES = 2 * 1024**3
GREATEST_CONTENT_BYTES = 8 * 1024**3  # unpacked, whole file
GREATEST_GROUP_BYTES = 512 * 1024**2  # unpacked, one group of rows
GREATEST_ROWS = 5_000_000
PREFIX = "avoidkit."


class PartWriter:
    """Appends Arrow batches to a new file and flushes each, so that whatever was written survives a kill."""

    def __init__(self, path, metadata):
        import pyarrow as pa

        self.path, self.schema = Path(path), schema(with_prefix(metadata))
        try:
            self._file = open(self.path, "xb")  # noqa: SIM115
        except FileExistsError:
            raise InputError(
                f"{self.path}: is left over from a drive that was cut off, or is being written now: "
                f"turn it into a recording with `avoidkit check --mend {self.path}`, or delete it"
            ) from None
        except OSError as error:
            raise InputError(f"{self.path}: cannot be written: {error.strerror}") from None
        options = pa.ipc.IpcWriteOptions(compression="zstd")
        self._stream = pa.ipc.new_stream(self._file, self.schema, options=options)
        self._file.flush()

    def write(self, batch):
        """Append one batch."""
        self._stream.write_batch(batch.cast(self.schema) if batch.schema != self.schema else batch)
        self._file.flush()

    def close(self):
        """End the stream; what was written stays."""
        if not self._file.closed:
            self._stream.close()
            self._file.close()


def write_parquet(path, batches, metadata):
    """Write batches as one Parquet file, whole or not at all; rows per group do not depend on the batches."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = Path(path)
    fields = schema()
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with pq.ParquetWriter(temporary, fields, **_compression(fields)) as writer:
            for group in _regrouped(batches):
                writer.write_table(pa.Table.from_batches(group).cast(fields), row_group_size=ROWS_PER_GROUP)
            writer.add_key_value_metadata(with_prefix(metadata))
        os.replace(temporary, path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        temporary.unlink(missing_ok=True)


def _compression(fields):
    """How the writer packs. Numbers: bytes of one significance side by side, a third less; the rest by dictionary."""
    numbers, others = [], []
    for field in fields:
        for place, kind in _leaves(field.name, field.type):
            (numbers if kind in ("double", "float") else others).append(place)
    return {
        "compression": "zstd",
        "compression_level": 9,
        "use_dictionary": others,
        "use_byte_stream_split": numbers,
    }


def _leaves(place, kind):
    """Yield (name of a Parquet column, its kind as text) for everything below a field."""
    import pyarrow as pa

    if pa.types.is_struct(kind):
        for part in kind:
            yield from _leaves(f"{place}.{part.name}", part.type)
    elif pa.types.is_list(kind):
        yield from _leaves(f"{place}.list.element", kind.value_type)
    else:
        yield place, str(kind)


def _regrouped(batches):
    """The same rows in lists of batches that hold `ROWS_PER_GROUP` rows each, the last one fewer."""
    waiting, n = [], 0
    for batch in batches:
        while n + batch.num_rows >= ROWS_PER_GROUP:
            take = ROWS_PER_GROUP - n
            yield [*waiting, batch.slice(0, take)]
            batch, waiting, n = batch.slice(take), [], 0
        if batch.num_rows:
            waiting.append(batch)
            n += batch.num_rows
    if waiting:
        yield waiting


def with_prefix(metadata):
    """Names and values of file metadata as Arrow wants them."""
    return {f"{PREFIX}{name}": value for name, value in metadata.items()}


class ParquetSource:
    """A finished recording: metadata now, groups of rows when they are asked for."""

    def __init__(self, path):
        import pyarrow.parquet as pq

        self.path = path
        with damage_named(path):
            self._file = pq.ParquetFile(
                path, thrift_string_size_limit=64 * 1024**2, thrift_container_size_limit=1_000_000
            )
            self.metadata = checked_metadata(path, self._file.metadata.metadata)
            self.version = int(self.metadata["format"])
            _check_columns(path, self._file.schema_arrow, self.version)
            self.group_rows = self._group_rows()

    def _group_rows(self):
        footer = self._file.metadata
        groups = [footer.row_group(i) for i in range(footer.num_row_groups)]
        content = sum(group.total_byte_size for group in groups)
        largest = max((group.total_byte_size for group in groups), default=0)
        if footer.num_rows > GREATEST_ROWS or content > GREATEST_CONTENT_BYTES or largest > GREATEST_GROUP_BYTES:
            raise InputError(
                f"{self.path}: is too large: {footer.num_rows} rows, {content / 1e6:.0f} MB unpacked, "
                f"{largest / 1e6:.0f} MB in one group; at most {GREATEST_ROWS} rows, "
                f"{GREATEST_CONTENT_BYTES / 1e6:.0f} MB and {GREATEST_GROUP_BYTES / 1e6:.0f} MB are read"
            )
        return [group.num_rows for group in groups]

    def group(self, i, columns=None):
        """Rows of one group as an Arrow table, all columns or those named."""
        with damage_named(self.path):
            table = self._file.read_row_group(i, columns=columns, use_threads=False)
            table.validate(full=True)
        return table

    def column(self, name):
        """One whole column as an Arrow array."""
        with damage_named(self.path):
            table = self._file.read(columns=[name], use_threads=False)
            table.validate(full=True)
            return table.column(name).combine_chunks()


class PartSource:
    """A stream that was cut off (or is still being written): every whole batch of it, read when asked for."""

    def __init__(self, path):
        import pyarrow as pa

        self.path = path
        self._file = pa.OSFile(str(path), "rb")
        try:
            self._schema = pa.ipc.read_schema(self._file)
        except (pa.ArrowException, OSError, ValueError, EOFError):
            raise InputError(f"{path}: was cut off before anything was recorded, nothing can be read") from None
        self.metadata = checked_metadata(path, self._schema.metadata)
        self.version = int(self.metadata["format"])
        with damage_named(path):
            _check_columns(path, self._schema, self.version)
        self._places, self.group_rows = [], []
        while (rows := self._next_whole()) is not None:
            self.group_rows.append(rows)

    def _next_whole(self):
        """Note the place of the next batch and give its number of rows; None where no whole one follows."""
        import pyarrow as pa

        place = self._file.tell()
        try:
            batch = self._batch_at(place)
            batch.validate(full=True)
        except (pa.ArrowException, OSError, ValueError, EOFError, StopIteration):
            return None
        if batch.nbytes > GREATEST_GROUP_BYTES:
            most = f"at most {GREATEST_GROUP_BYTES / 1e6:.0f} MB are read"
            raise InputError(f"{self.path}: is too large: {batch.nbytes / 1e6:.0f} MB in one batch; {most}")
        self._places.append(place)
        return batch.num_rows

    def _batch_at(self, place):
        import pyarrow as pa

        self._file.seek(place)
        return pa.ipc.read_record_batch(pa.ipc.read_message(self._file), self._schema)

    def group(self, i, columns=None):
        """Rows of one batch as an Arrow table, all columns or those named."""
        import pyarrow as pa

        with damage_named(self.path):
            table = pa.Table.from_batches([self._batch_at(self._places[i])])
        return table if columns is None else table.select(columns)

    def column(self, name):
        """One whole column as an Arrow array."""
        import pyarrow as pa

        groups = [self.group(i, [name]) for i in range(len(self._places))]
        if not groups:
            return pa.array([], type=schema().field(name).type)
        return pa.concat_tables(groups).column(name).combine_chunks()


def open_source(path):
    """The right source for a file, told apart by its first bytes; `InputError` says what else it may be."""
    path = Path(path)
    try:
        size = path.stat().st_size
        with open(path, "rb") as file:
            head = file.read(4)
            file.seek(max(0, size - 4))
            tail = file.read(4)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file{_left_over(path)}") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, a recording was wanted") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    if size == 0:
        raise InputError(f"{path}: is empty{_left_over(path)}")
    if size > GREATEST_FILE_BYTES:
        most = f"at most {GREATEST_FILE_BYTES / 1e6:.0f} MB are read"
        raise InputError(f"{path}: is too large: {size / 1e6:.0f} MB; {most}")
    if head == b"\xff\xff\xff\xff":
        return PartSource(path)
    if head != b"PAR1":
        raise InputError(f"{path}: is not a recording: neither a Parquet file nor the stream of a drive under way")
    if tail != b"PAR1" or size < 12:
        raise InputError(f"{path}: is cut off: the end of the Parquet file is missing{_left_over(path)}")
    return ParquetSource(path)


def _left_over(path):
    part = Path(f"{path}.part")
    return f"; there is {part}, which `avoidkit check --mend {part}` turns into a recording" if part.exists() else ""


def checked_metadata(path, raw):
    """The kit's own metadata of a file as {name: text}, its format version checked."""
    try:
        own = {key: value for key, value in (raw or {}).items() if key.startswith(PREFIX.encode())}
        metadata = {key.decode().removeprefix(PREFIX): value.decode() for key, value in own.items()}
    except UnicodeDecodeError:
        raise InputError(f"{path}: is damaged: its metadata is not UTF-8 text") from None
    version = metadata.get("format")
    if version is None:
        raise InputError(f"{path}: is not a recording of avoidkit: its metadata has no avoidkit.format")
    if not version.isdecimal():
        raise InputError(f"{path}: avoidkit.format: a whole number was wanted, got {version[:40]!r}")
    if int(version) > FORMAT_VERSION:
        raise InputError(
            f"{path}: was written by a newer avoidkit: format {version}, "
            f"this one reads up to {FORMAT_VERSION}; update avoidkit"
        )
    missing = [name for name in ("scene", "tuning", "seed", "versions") if name not in metadata]
    if missing:
        raise InputError(f"{path}: is damaged: avoidkit.{missing[0]} is missing from its metadata")
    return metadata


def _check_columns(path, found, version):
    wanted = schema(version=version)
    for field in wanted:
        if field.name not in found.names:
            raise InputError(f"{path}: column {field.name} is missing")
        if not found.field(field.name).type.equals(field.type):
            got = str(found.field(field.name).type)[:200]
            raise InputError(f"{path}: column {field.name}: {field.type} was wanted, got {got}")


class damage_named:
    """Turns whatever the file library says about a damaged file into one `InputError`."""

    def __init__(self, path):
        self.path = path

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        import pyarrow as pa

        if error is None or str(error).startswith(f"{self.path}: "):
            return False
        if isinstance(error, (pa.ArrowException, OSError, ValueError, LookupError, TypeError, MemoryError)):
            said = str(error).splitlines() or [kind.__name__]
            raise InputError(f"{self.path}: is damaged: {said[0][:200]}") from None
        return False
