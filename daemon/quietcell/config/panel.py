"""[panel]: the local page."""

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, StringConstraints, model_validator

from quietcell.config.fields import Section, is_loopback, refuse
from quietcell.config.outlets import SecretReference, by_reference

HostName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9.:_-]+$", max_length=253)]


class PanelSettings(Section):
    """The local page: absent, or served."""

    host: HostName = Field(default="127.0.0.1", description="Address to listen on.")
    port: Annotated[int, Field(ge=0, le=65535)] = Field(
        default=8473, description="Port to listen on; 0 takes any free one and logs it."
    )
    token: Annotated[SecretReference, BeforeValidator(by_reference("token"))] | None = Field(
        default=None,
        description="Token, by reference: wanted from whoever changes something or comes from elsewhere; "
        "absent: nothing can be changed from the page.",
    )
    names: tuple[HostName, ...] = Field(
        default=(), description="Names under which a reverse proxy offers the page; absent: none."
    )

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        faults = []
        if self.token is None and not is_loopback(self.host):
            faults.append(("host", f"{self.host} is not this machine alone; other addresses need a token"))
        if self.token is None and self.names:
            faults.append(("names", "a reverse proxy brings others here, and they need a token"))
        refuse(faults)
        return self
