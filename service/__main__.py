"""`python -m service`: serve on MASKWRIGHT_HOST and MASKWRIGHT_PORT, or on a socket that the parent hands over."""

from __future__ import annotations

import argparse
import socket
import sys

import uvicorn

from service.app import create_app
from worker.errors import MaskwrightError
from worker.ledger.keys import usable_key_exists
from worker.log_lines import set_up_logging
from worker.loopback import refuse_open_address
from worker.settings import read_environment


def main() -> int:
    """Serve until SIGTERM or SIGINT. Exit status 2 for a wrong environment."""
    parser = argparse.ArgumentParser(prog="python -m service", description=__doc__)
    parser.add_argument("--fd", type=int, help="number of a listening socket that this process was given")
    arguments = parser.parse_args()
    try:
        environment = read_environment()
        set_up_logging(environment, "service")
        keyed = environment.has_key or usable_key_exists(environment.database)
        refuse_open_address(environment.host, keyed=keyed)
        app = create_app(environment)
    except MaskwrightError as error:
        print(error, file=sys.stderr)
        return 2
    config = uvicorn.Config(
        app,
        host=environment.host,
        port=environment.port,
        access_log=False,
        log_config=None,  # its lines go where all others go
        timeout_graceful_shutdown=3,
        server_header=False,
    )
    server = uvicorn.Server(config)
    server.run(sockets=None if arguments.fd is None else [socket.socket(fileno=arguments.fd)])
    return 0 if server.started else 1


if __name__ == "__main__":
    sys.exit(main())
