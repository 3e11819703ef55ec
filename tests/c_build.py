"""Compiling exported C code with a driver: strictly, under the sanitizers."""

import subprocess

STRICT = (
    "-std=c99",
    "-Wall",
    "-Wextra",
    "-Werror",
    "-pedantic",
    "-Wconversion",
    "-Wshadow",
    "-Wdouble-promotion",
    "-Wvla",
    "-Wcast-qual",
    "-Wstrict-prototypes",
)
SANITIZED = (
    "-g",
    "-O1",
    "-fsanitize=address,undefined,float-divide-by-zero,float-cast-overflow",
    "-fno-sanitize-recover=all",
)


def build(folder, header, source, driver, *options):
    """Compile a source alone and with a driver; return the program."""
    program = folder / "driver"
    names = (f"-DNAME={header.stem}", f'-DNAME_H="{header.name}"', f"-I{folder}", *options)
    subprocess.run(["cc", *STRICT, "-c", str(source), "-o", str(folder / "alone.o")], check=True)
    command = ["cc", *STRICT, *SANITIZED, *names, str(driver), str(source), "-o", str(program)]
    subprocess.run(command, check=True)
    return program
