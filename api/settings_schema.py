"""Shapes of the settings in the JSON interface."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class SettingsOut(BaseModel):
    """The settings that the pages may change, as they are written now."""

    main: str = Field(examples=["underturf.toml"], description="the file that no page changes")
    file: str | None = Field(
        examples=["settings.toml"], description="that of `pages.settings`; null where none is named"
    )
    text: str = Field(examples=["[water]\nrestricted = false\n"], description="its whole text")
    digest: str = Field(examples=["0f343b0931126a20"], description="of the text; to be sent with another one")
    start_needed: bool = Field(
        examples=[False], description="whether what is written counts only from the next start on"
    )
    undo: bool = Field(examples=[True], description="whether there is a text before this one")


class SettingsUndoIn(BaseModel):
    """The last change, to be taken back."""

    model_config = ConfigDict(extra="forbid")

    digest: str = Field(examples=["0f343b0931126a20"], description="of the text that the change made")


class SettingsIn(BaseModel):
    """Another text of the settings."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field(examples=["[water]\nrestricted = true\n"])
    digest: str = Field(examples=["0f343b0931126a20"], description="of the text that it stands in place of")
