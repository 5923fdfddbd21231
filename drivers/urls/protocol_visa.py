"""`visa://RESOURCE`: an instrument through PyVISA, such as `visa://TCPIP0::10.0.0.7::inst0::INSTR`.

`?backend=` names another PyVISA backend than the pure Python one. PyVISA is an optional extra.
"""

from __future__ import annotations

import errno
from contextlib import suppress
from typing import Any
from urllib.parse import parse_qsl, unquote

from drivers.port import PortError
from drivers.urls.messages import Device, MessagePort


def parse_url(url: str) -> tuple[str, str]:
    """Resource and backend. Raises: PortError: nothing named, or an option that is not known."""
    text, _, query = url[len("visa://") :].partition("?")
    options = dict(parse_qsl(query, keep_blank_values=True))
    if unknown := sorted(options.keys() - {"backend"}):
        raise PortError(f"A VISA port has no option {unknown[0]!r}.", f"Port {url}.", "It has backend.")
    if not text:
        raise PortError("A VISA port needs a resource name.", f"Port {url}.",
                        "Such as visa://TCPIP0::10.0.0.7::inst0::INSTR.")  # fmt: skip
    return unquote(text), options.get("backend", "@py")


class VisaDevice:
    """A VISA resource. PyVISA's resource types differ by interface and share no typed read, hence `Any`."""

    def __init__(self) -> None:
        self._resource: Any = None

    def open(self, name: str) -> None:
        resource, backend = parse_url(name)
        try:
            import pyvisa
        except ImportError as exc:
            raise PortError("VISA ports need an extra: pip install 'chassislog[visa]'.", f"Port {name}.") from exc
        self._errors: tuple[type[Exception], ...] = (pyvisa.errors.Error,)
        self._silence = pyvisa.constants.StatusCode.error_timeout
        try:
            self._resource = pyvisa.ResourceManager(backend).open_resource(resource, open_timeout=5000)
        # What the backends raise for a resource that they cannot open is anything at all.
        except Exception as exc:
            text = " ".join(str(exc).split())[:160].rstrip(".") or type(exc).__name__
            raise PortError(f"The VISA resource {resource} cannot be opened: {text}.") from exc

        if not hasattr(self._resource, "write_raw"):
            raise PortError(f"{resource} is not the resource of an instrument that takes messages.", f"Port {name}.")

    def patience(self, seconds: float) -> None:
        self._resource.timeout = max(1, round(seconds * 1000))

    def write(self, message: bytes) -> None:
        try:
            self._resource.write_raw(message)
        except self._errors as exc:
            raise OSError(errno.EIO, str(exc)) from exc

    def read(self) -> bytes:
        try:
            return bytes(self._resource.read_raw())
        except self._errors as exc:
            silent = getattr(exc, "error_code", None) == self._silence
            raise OSError(errno.ETIMEDOUT if silent else errno.EIO, str(exc)) from exc

    def clear(self) -> None:
        # A serial line has no such message, and not every backend sends it.
        with suppress(*self._errors, NotImplementedError, AttributeError):
            self._resource.clear()

    def close(self) -> None:
        with suppress(*self._errors):
            self._resource.close()


class Serial(MessagePort):
    """A port that is a VISA resource."""

    def device(self) -> Device:
        """PyVISA's."""
        return VisaDevice()
