"""Parts of the real world made from the config: what the daemon, `check --live` and the demo put together alike."""

from controller.agronomy.sunlight import sun_elevation_deg
from controller.drivers.http import get_json
from controller.drivers.mail import Server
from controller.drivers.mqtt import Address, Tls
from controller.settings import Settings, mail_password, password
from controller.shells.forecast import SOURCES, Place, Source


def broker_address(settings: Settings) -> Address:
    """Where the broker is and how to log in. ConfigError if the password cannot be read."""
    mqtt = settings.mqtt
    tls = Tls(mqtt.tls.ca_file, mqtt.tls.cert_file, mqtt.tls.key_file) if mqtt.tls is not None else None
    return Address(mqtt.host, mqtt.tcp_port, mqtt.protocol, mqtt.username, password(mqtt), tls)


def mail_server(settings: Settings) -> Server | None:
    """Where the digest is handed over by mail; None if it is not wanted so. ConfigError if the password cannot be
    read."""
    mail = settings.digest.mail
    if mail is None:
        return None
    secret = mail_password(mail) if mail.username is not None else None
    return Server(
        mail.host, mail.tcp_port, mail.security, mail.sender, mail.to, mail.username, secret, mail.ca_file
    )


def forecast_source(settings: Settings, url: str | None = None) -> tuple[Source, Place] | None:
    """The forecast service of the config (at another url, if given) and the place to ask it for; None if none is
    wanted. The garden's own sun goes with it, to check the service's by."""
    wanted, site = settings.forecast, settings.site
    if wanted.source == "none":
        return None
    source = SOURCES[wanted.source](
        get_json, url or wanted.url, lambda utc: sun_elevation_deg(site.latitude, site.longitude, utc) > 0.0
    )
    return source, Place(site.latitude, site.longitude, site.elevation_m)
