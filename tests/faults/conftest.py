from tests.server.conftest import config, http, phone, server, told

__all__ = ["config", "http", "phone", "server", "told"]
