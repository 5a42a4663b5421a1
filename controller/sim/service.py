"""A forecast service on loopback, for a simulated garden: its forecast, stated as Open-Meteo states one, over HTTP.

The demo's daemon fetches from it as it would from the real one, checks and all.
"""

import json
import threading
from collections.abc import Callable, Sequence
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from types import TracebackType
from typing import Any, Self

from controller.core.forecast import Forecast, Hour


class ForecastService:
    """Use as a context. forecast: asked anew for each request; url: where it listens."""

    def __init__(self, forecast: Callable[[], Forecast], latitude_deg: float, longitude_deg: float) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                document = open_meteo_document(forecast().hours, latitude_deg, longitude_deg)
                body = json.dumps(document).encode()
                self.send_response(200)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: object) -> None:
                """Quiet: the demo has its own screen."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}/v1/forecast"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()


def open_meteo_document(hours: Sequence[Hour], latitude_deg: float, longitude_deg: float) -> dict[str, Any]:
    """The hours as Open-Meteo would state them: one stamp more than hours.

    Air temperature, humidity and wind are states at a stamp: here the mean of the hours before and after it.
    Radiation, rain and its probability stand at the stamp that ends their hour.
    """
    stamps = [hour.start for hour in hours] + [hours[-1].start + timedelta(hours=1)]

    def at_stamp(values: Sequence[float | None]) -> list[float | None]:
        pairs = pairwise([values[0], *values, values[-1]])
        return [None if one is None or two is None else round((one + two) / 2, 3) for one, two in pairs]

    def at_end(values: Sequence[float | None], scale: float = 1.0) -> list[float | None]:
        return [None] + [None if value is None else round(value * scale, 3) for value in values]

    return {
        "latitude": round(latitude_deg, 1), "longitude": round(longitude_deg, 1), "generationtime_ms": 0.2,
        "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT", "elevation": 100.0,
        "hourly_units": {"time": "unixtime", "temperature_2m": "°C", "relative_humidity_2m": "%",
                         "wind_speed_10m": "m/s", "shortwave_radiation": "W/m²", "precipitation": "mm",
                         "precipitation_probability": "%"},
        "hourly": {
            "time": [int(stamp.timestamp()) for stamp in stamps],
            "temperature_2m": at_stamp([hour.temperature_c for hour in hours]),
            "relative_humidity_2m": at_stamp([hour.humidity_percent for hour in hours]),
            "wind_speed_10m": at_stamp([hour.wind_10m_m_s for hour in hours]),
            "shortwave_radiation": at_end([hour.solar_w_m2 for hour in hours]),
            "precipitation": at_end([hour.rain_mm for hour in hours]),
            "precipitation_probability": at_end([hour.rain_probability for hour in hours], 100.0),
        },
    }
