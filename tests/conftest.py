"""What every test runs under: one thread for numerics, as in the command line; meshes shaken where that is asked."""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy is imported


def pytest_addoption(parser):
    parser.addoption(
        "--shake",
        type=float,
        metavar="FACTOR",
        help="multiply the sizes of every mesh, and draw it from other random numbers; nightly 0.97 and 1.03",
    )


def pytest_configure(config):
    factor = config.getoption("--shake")
    if factor is not None:
        from simkit.body import kernel

        os.environ[kernel.SHAKE] = str(factor)  # the processes that tests start have it too


def pytest_report_header(config):
    factor = config.getoption("--shake")
    return None if factor is None else f"meshes: every size times {factor}, other random numbers"
