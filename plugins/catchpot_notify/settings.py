"""`[settings.notify]` in catchpot.toml."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, field_validator


class NotifySettings(BaseModel):
    """Where word of findings goes. A mail account's password comes from the environment, never from the settings."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    web_hook: str = Field(default="", description="an address that takes a JSON document by POST")
    mail_to: tuple[str, ...] = ()
    mail_from: str = ""
    smtp_host: str = ""
    smtp_port: int = Field(default=587, ge=1, le=65535)
    smtp_user: str = Field(default="", description="its password is CATCHPOT_SMTP_PASSWORD in the environment")
    recent_days: float = Field(default=14.0, gt=0, description="older findings are not sent")
    timeout_s: float = Field(default=20.0, gt=0, le=120)
    dry_run: bool = True

    @field_validator("web_hook")
    @classmethod
    def _address(cls, value: str) -> str:
        if value and not value.startswith(("https://", "http://")):
            raise ValueError("expected an address that begins with https:// or http://")
        return value

    @property
    def mails(self) -> bool:
        """Whether a mail can be sent."""
        return bool(self.mail_to and self.mail_from and self.smtp_host)

    @property
    def anywhere(self) -> bool:
        """Whether anything is named to send to."""
        return bool(self.web_hook) or self.mails
