"""Builds firmware.elf and firmware.hex with the system's avr-gcc; uploads with the system's avrdude.

SCons runs this file (PlatformIO hands it the environment). The same sources give the same bytes in whatever
folder they lie: sources and headers are named relative to the project, and no debug information is made.
"""

import os

from SCons.Script import COMMAND_LINE_TARGETS, AlwaysBuild, Default, DefaultEnvironment

SOURCE_FOLDERS = ["core", "port/avr", "generated"]

env = DefaultEnvironment()
board = env.BoardConfig()
machine = ["-mmcu=" + board.get("build.mcu")]

env.Replace(
    AR="avr-gcc-ar",
    AS="avr-gcc",
    CC="avr-gcc",
    CXX="avr-g++",
    LINK="avr-gcc",
    OBJCOPY="avr-objcopy",
    RANLIB="avr-gcc-ranlib",
    SIZETOOL="avr-size",
    SIZEPROGREGEXP=r"^(?:\.text|\.data|\.bootloader)\s+(\d+).*",
    SIZEDATAREGEXP=r"^(?:\.data|\.bss|\.noinit)\s+(\d+).*",
    SIZECHECKCMD="$SIZETOOL -A -d $SOURCES",
    PROGNAME="firmware",
    PROGSUFFIX=".elf",
)

# Chosen by size on this firmware. Inlining a function into its only caller saves nothing here and piles up stack.
# The linker generates the code (-flto), so it takes the same options.
generation = [
    *machine,
    "-Os",
    "-flto",
    "-mcall-prologues",
    "-mrelax",
    "-mstrict-X",
    "-fno-jump-tables",
    "-fno-gcse",
    "-fno-move-loop-invariants",
    "-fno-tree-loop-optimize",
    "-fno-inline-functions-called-once",
    "-fira-algorithm=priority",
    "-fshort-enums",
]

# -fstack-usage leaves a .su file beside each object: the stack each function takes, for which the objects hold code of
# their own (-ffat-lto-objects). Relative -iquote, not CPPPATH, because PlatformIO makes the latter absolute, and that
# would reach the image through __FILE__.
env.Append(
    CFLAGS=["-std=c99"],
    CCFLAGS=[
        *generation,
        "-ffat-lto-objects",
        "-ffunction-sections",
        "-fdata-sections",
        "-fstack-usage",
        "-Wall",
        "-Wextra",
        "-Wconversion",
        "-Werror",
        *("-iquote" + folder for folder in SOURCE_FOLDERS),
    ],
    CPPDEFINES=[("F_CPU", board.get("build.f_cpu"))],
    LINKFLAGS=[*generation, "-fwhole-program", "-Wl,--gc-sections", '"-Wl,-Map,$BUILD_DIR/${PROGNAME}.map"'],
)

# SCons looks for the headers of -iquote folders nowhere, so it would miss that a header changed.
headers = sorted(
    str(header) for folder in SOURCE_FOLDERS for header in env.Glob("$PROJECT_SRC_DIR/" + folder + "/*.h")
)

elf = env.BuildProgram()
for built in env["PIOBUILDFILES"]:
    env.Depends(built, headers)
# EEPROM, fuses and lock bits are not the upload's business: the bootloader's protocol writes flash only.
hex_file = env.Command(
    "$BUILD_DIR/${PROGNAME}.hex",
    elf,
    env.VerboseAction(
        "$OBJCOPY -O ihex -R .eeprom -R .fuse -R .lock $SOURCE $TARGET",
        "Building $TARGET",
    ),
)
AlwaysBuild(env.Alias("size", elf, env.VerboseAction("$SIZETOOL -A -d $SOURCE", "Sizes of $SOURCE")))

# A board whose bootloader listens at another speed than usual is flashed with this variable set.
if os.environ.get("OFFTAKE_UPLOAD_SPEED"):
    env.Replace(UPLOAD_SPEED=os.environ["OFFTAKE_UPLOAD_SPEED"])
env.Replace(
    UPLOADER="avrdude",
    UPLOADERFLAGS=[
        *("-p", board.get("build.mcu")),
        *("-c", "$UPLOAD_PROTOCOL"),
        *("-b", "$UPLOAD_SPEED"),
        # The bootloader cannot erase the whole chip; it erases page by page as it writes.
        "-D",
    ],
    UPLOADCMD='$UPLOADER $UPLOADERFLAGS -P "$UPLOAD_PORT" -U flash:w:$SOURCE:i',
)
AlwaysBuild(
    env.Alias(
        "upload",
        hex_file,
        [
            env.VerboseAction(env.AutodetectUploadPort, "Looking for the upload port..."),
            env.VerboseAction("$UPLOADCMD", "Uploading $SOURCE"),
        ],
    )
)

if "upload" not in COMMAND_LINE_TARGETS:
    Default([elf, hex_file])
