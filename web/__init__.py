"""The phone page: plain ES modules, style and texts, served as they are by `server`."""
