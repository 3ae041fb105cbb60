"""python -m tests.on_postgresql: repeat what uses the database on a private PostgreSQL.

Arguments are passed on to pytest. Ends with pytest's exit status, so running nothing is a failure, unless
--may-be-empty says that the arguments may choose nothing. Without PostgreSQL on the machine this is left
out, except in CI, where that is an error.
"""

import os
import subprocess
import sys

import pytest

from tests.servers import PROJECT, PostgresMissingError, postgres_server

MAY_BE_EMPTY = "--may-be-empty"


def main(arguments: list[str]) -> int:
    """Run the tests and return the exit status. Raises PostgresMissingError in CI."""
    chosen = [argument for argument in arguments if argument != MAY_BE_EMPTY]
    try:
        with postgres_server() as server:
            status = subprocess.run(
                [sys.executable, "-m", "pytest", "--only-database", *chosen],
                cwd=PROJECT,
                env={"HYPOTHESIS_PROFILE": "repeat", **os.environ, "DATABASE_URL": server.new_database()},
                check=False,
            ).returncode
    except PostgresMissingError as missing:
        if os.environ.get("CI"):
            raise
        print(f"The tests on PostgreSQL are left out: {missing}", file=sys.stderr)
        return 0
    is_empty = status == pytest.ExitCode.NO_TESTS_COLLECTED
    return 0 if is_empty and MAY_BE_EMPTY in arguments else status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
