from support.storage_fixtures import module_server, server

__all__ = ["module_server", "server"]
