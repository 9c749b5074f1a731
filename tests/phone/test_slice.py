"""A burn from the first flame to the verdict, over plain forms as without JavaScript."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import httpx


def test_a_burn_from_light_to_verdict_without_javascript(
    bench: object, phone: httpx.Client, do: Callable[..., httpx.Response], photos: Path
) -> None:
    code = bench.codes[0]  # type: ignore[attr-defined]
    lit = do("light", code, trim="6", trim_unit="mm")
    assert "burns: burn 1" in phone.get(lit.headers["location"]).text
    bench.clock.forward(minutes=60)  # type: ignore[attr-defined]
    with (photos / "d1_01_top.jpg").open("rb") as file:
        sent = phone.post("/photo", data={"code": code}, files={"file": ("photo.jpg", file, "image/jpeg")})
    shown = phone.get(sent.headers["location"]).text
    assert f"{code} burn 1 at 1\u00a0h\u00a000" in shown
    assert "melt pool diameter" in shown
    assert "<ellipse" in shown
    assert "<polygon" in shown
    out = do("snuff", code, how="snuffed")
    told = phone.get(out.headers["location"]).text
    assert "burn 1 ended after 1 h 00" in told
    assert 'id="verdict"' in told
