"""The manual page `dryshift(1)`, written from the commands themselves (troff, man macros)."""

import click

DATE = "2026-11-29"  # of the last change to the page itself
SECTIONS = (
    (
        "FILES",
        "The settings file is TOML; config/shop.example.toml of the source explains every setting. "
        "Secrets are files of one line, by default in the folder secrets beside it.",
    ),
    ("EXIT STATUS", "0: done. 1: faults were found. 2: it could not be run."),
    (
        "SHELL COMPLETION",
        'bash: eval "$(_DRYSHIFT_COMPLETE=bash_source dryshift)" in ~/.bashrc. '
        'zsh: eval "$(_DRYSHIFT_COMPLETE=zsh_source dryshift)" in ~/.zshrc. '
        "fish: _DRYSHIFT_COMPLETE=fish_source dryshift | source in ~/.config/fish/config.fish.",
    ),
    (
        "CAUTION",
        "A planning aid. The governing code, the maker's data sheet, the qualified procedure and licensed "
        "people decide.",
    ),
)


def manual(main: click.Group, version: str) -> str:
    """The page as troff; `man -l FILE` shows it."""
    about = " ".join((main.help or "").split())
    lines = [
        f'.TH DRYSHIFT 1 "{DATE}" "dryshift {version}" "User commands"',
        ".SH NAME",
        "dryshift \\- keeps a welding shop's consumables, gas and steel dry",
        ".SH SYNOPSIS",
        ".B dryshift",
        ".I COMMAND",
        "[\\fIOPTION\\fR ...] [\\fIARGUMENT\\fR ...]",
        ".SH DESCRIPTION",
        _text(about),
        ".SH COMMANDS",
    ]
    context = click.Context(main, info_name="dryshift")
    for name in sorted(main.commands):
        command = main.get_command(context, name)
        assert command is not None
        lines += _command(command, click.Context(command, context, name))
    for title, text in SECTIONS:
        lines += [f'.SH "{title}"', _text(text)]
    return "\n".join(lines) + "\n"


def _command(command: click.Command, context: click.Context) -> list[str]:
    usage = " ".join(command.collect_usage_pieces(context))
    lines = [".TP", f"\\fB{_text(context.info_name or '')}\\fR {_text(usage)}"]
    lines.append(_text(" ".join((command.help or "").split())))
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context) if isinstance(parameter, click.Option) else None
        if record is not None and "--help" not in record[0]:
            lines += [".RS", ".TP", f"\\fB{_text(record[0])}\\fR", _text(record[1]) or "\\&", ".RE"]
    return lines


def _text(text: str) -> str:
    """Text that troff reads as it stands."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-").replace("’", "'")
    return f"\\&{escaped}" if escaped[:1] in (".", "'") else escaped
