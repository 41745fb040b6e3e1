"""[outlets.files] and [outlets.mqtt]: where records go and in which form."""

import os
import re
from collections.abc import Callable
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from quietcell.config.fields import FilePath, RecordKind, Section, Text, is_loopback, refuse
from quietcell.config.secrets import CREDENTIAL_PATTERN


class CsvColumn(Section):
    """One column of the CSV files."""

    path: Annotated[str, StringConstraints(pattern=r"^\w+(\.\w+)*$", max_length=200)] = Field(
        description="Field of the record or of what is around it (seq, recorded_at, …); a dot leads into an "
        "inner object or, with a number, a list."
    )
    name: Text | None = Field(default=None, description="Heading; absent: the path.")
    decimals: Annotated[int, Field(ge=0, le=9)] | None = Field(
        default=None, description="Decimals of a number; absent: as many as it has."
    )


class CsvSettings(Section):
    """Form of the CSV files."""

    records: Annotated[tuple[RecordKind, ...], Field(min_length=1)] = Field(
        default=("determination",), description="Kinds of record that become rows."
    )
    columns: Annotated[tuple[CsvColumn, ...], Field(min_length=1)] | None = Field(
        default=None, description="Columns in order; absent: all flat fields of a determination."
    )
    delimiter: Literal[",", ";", "\t", "|"] = Field(default=",", description="Character between two cells.")
    decimal_comma: bool = Field(default=False, description="Write 6,98 in place of 6.98.")

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        faults = []
        if self.decimal_comma and self.delimiter == ",":
            key = self.first_given("decimal_comma", "delimiter")
            faults.append((key, 'a decimal comma needs another delimiter; write delimiter = ";"'))
        names = [column.name or column.path for column in self.columns or ()]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            faults.append(("columns", f"two columns are headed {twice[0]!r}; give each a name of its own"))
        refuse(faults)
        return self


class FilesSettings(Section):
    """Daily files for people and scripts."""

    folder: FilePath = Field(description="Folder of the daily files.")
    formats: Annotated[tuple[Literal["jsonl", "csv"], ...], Field(min_length=1)] = Field(
        default=("jsonl", "csv"), description="jsonl: whole records, one a line; csv: flat fields."
    )
    records: Annotated[tuple[RecordKind, ...], Field(min_length=1)] | None = Field(
        default=None, description="Kinds of record written as JSON lines; absent: all."
    )
    csv: CsvSettings = Field(default=CsvSettings(), description="Form of the CSV files.")
    drop_folder: FilePath | None = Field(
        default=None,
        description="Folder that receives one file per result, and per doubt about results; absent: none.",
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        faults = []
        if "csv" in self.model_fields_set and "csv" not in self.formats:
            faults.append(("csv", 'formats does not name "csv"; add it there, or leave this table out'))
        if self.drop_folder and os.path.realpath(self.drop_folder) == os.path.realpath(self.folder):
            faults.append(("drop_folder", "is the folder of the daily files; must be another one"))
        refuse(faults)
        return self


class SecretReference(Section):
    """Where a secret lies; the configuration never holds one. A credential is looked for first."""

    credential: Annotated[str, StringConstraints(pattern=CREDENTIAL_PATTERN, max_length=255)] | None = Field(
        default=None, description="Name of a credential the service manager hands over (LoadCredential=)."
    )
    file: FilePath | None = Field(
        default=None, description="File that holds it, mode 0600 or tighter, owned by the daemon's user."
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.credential is None and self.file is None:
            refuse([("credential", 'missing; write credential = "NAME", file = "PATH", or both')])
        return self


def by_reference(key: str) -> Callable[[object], object]:
    """Return a check that refuses a secret written in clear under `key`."""

    def check(value: object) -> object:
        if isinstance(value, str):
            reference = f'{key} = {{ credential = "NAME" }} or {{ file = "PATH" }}'
            raise PydanticCustomError(
                "secret_in_clear",
                "a secret stands in clear; write {reference} with a file of mode 0600, and change the secret",
                {"reference": reference},
            )
        return value

    return check


def _host_only(host: str) -> str:
    if "@" in host:
        raise PydanticCustomError(
            "secret_in_clear",
            "holds a user or secret in clear; write the bare host name, and username and password apart",
        )
    if re.fullmatch(r"[^:]*:[0-9]+", host):
        raise PydanticCustomError(
            "not_a_host", "must be a bare host name or address; the number belongs to port"
        )
    if not host.isprintable() or any(c in "/?# " for c in host):
        raise PydanticCustomError("not_a_host", "must be a bare host name or address, without scheme or path")
    return host


class TlsSettings(Section):
    """Encryption; an empty table checks the broker against the system's authorities."""

    ca: FilePath | None = Field(
        default=None, description="Certificates of the authority (PEM); absent: those of the system."
    )
    cert: FilePath | None = Field(default=None, description="Own certificate (PEM), with key.")
    key: FilePath | None = Field(default=None, description="Own private key (PEM), mode 0600 or tighter.")

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        for one, other in (("cert", "key"), ("key", "cert")):
            if getattr(self, one) is not None and getattr(self, other) is None:
                refuse([(one, f"needs {other} beside it")])
        return self


class MqttSettings(Section):
    """An MQTT broker."""

    host: Annotated[str, StringConstraints(min_length=1, max_length=253), AfterValidator(_host_only)] = Field(
        description="Name or address of the broker."
    )
    port: Annotated[int, Field(ge=1, le=65535)] = Field(
        default=1883, description="Port of the broker; 8883 is usual with tls."
    )
    protocol: Literal["5", "3.1.1"] = Field(
        default="5",
        description="Version of MQTT; 3.1.1 sees neither that a broker refused a message nor a response "
        "topic of MQTT 5.",
    )
    client_id: Annotated[Text, StringConstraints(max_length=64)] | None = Field(
        default=None, description="Client identifier; absent: quietcell- and the site's name."
    )
    username: Text | None = Field(default=None, description="User name, where the broker wants one.")
    password: Annotated[SecretReference, BeforeValidator(by_reference("password"))] | None = Field(
        default=None, description="Password, by reference."
    )
    password_in_clear: bool = Field(
        default=False, description="Send the password over a network without encryption all the same."
    )
    tls: TlsSettings | None = Field(default=None, description="Encryption; absent: none.")
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = Field(
        default=30, description="Longest silence towards the broker, s."
    )
    live_every_s: Annotated[float, Field(ge=0.5, le=3600)] = Field(
        default=5.0, description="Live values, which nobody has accepted, go out so often, s."
    )
    requests: bool = Field(
        default=True,
        description="Take requests for determinations, and for records again, from whoever the broker lets "
        "publish them.",
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        faults = []
        if self.password is not None and self.username is None and self.protocol == "3.1.1":
            faults.append(("password", "needs username beside it in MQTT 3.1.1"))
        unencrypted = self.tls is None and not is_loopback(self.host)
        if self.password is not None and unencrypted and not self.password_in_clear:
            text = (
                f"anyone between here and {self.host} could read it; add a table tls, or write "
                "password_in_clear = true if that network is yours alone"
            )
            faults.append(("password", text))
        refuse(faults)
        return self


class OutletSettings(Section):
    """Outlets; each is absent or in use."""

    files: FilesSettings | None = Field(default=None, description="Daily files; absent: none.")
    mqtt: MqttSettings | None = Field(default=None, description="An MQTT broker; absent: none.")
