"""The engine: pure functions on bytes and arrays. It knows no queue, server, environment or path."""
