#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What every command promises: a manual page that names exactly the options of --help, exit code 0
for help, 2 with one clear line for a wrong use, results on stdout and complaints on stderr.

    tests/cli/contract.py REELWRIGHT"""
import os
import re
import sys

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
EVERYWHERE = {'-h', '--help'}
HELP_LINE = re.compile(r'^  (?:(-\w), )?(--[a-z][a-z0-9-]*)')
OPTION = re.compile(r'(?<![\w-])(--[a-z][a-z0-9-]*|-[a-z])(?![\w-])')


def commands(reelwright):
    text = run([reelwright, '--help']).stdout
    listed = text.split('Commands:\n', 1)[-1].split('\n\n', 1)[0]
    return [line.split()[0] for line in listed.splitlines() if line.strip()]


def options_of_help(text):
    found = set()
    for line in text.splitlines():
        match = HELP_LINE.match(line)
        if match:
            found.update(option for option in match.groups() if option)
    return found - EVERYWHERE


def options_of_page(text):
    """Options in code spans and code blocks of the section "Options"."""
    section = re.search(r'^## Options\n(.*?)(?=^## |\Z)', text, re.MULTILINE | re.DOTALL)
    code = ' '.join(re.findall(r'`([^`]+)`', section.group(1))) if section else ''
    return set(OPTION.findall(code)) - EVERYWHERE


def one_line(text):
    return text.count('\n') == 1 and text.endswith('\n')


def check_command(tap, reelwright, name):
    help_ = run([reelwright, name, '--help'])
    tap.ok(help_.returncode == 0 and help_.stdout.startswith(f'Usage: reelwright {name}') and
           not help_.stderr, f'{name} --help exits 0 and speaks on stdout',
           help_.stdout + help_.stderr)

    wrong = run([reelwright, name, '--no-such-option'])
    tap.ok(wrong.returncode == 2 and one_line(wrong.stderr) and not wrong.stdout,
           f'{name}: an unknown option is one line and exit 2', wrong.stdout + wrong.stderr)

    usage = help_.stdout.splitlines()[0] if help_.stdout else ''
    arguments = usage[len(f'Usage: reelwright {name}'):].replace('[OPTION...]', '').strip()
    if arguments and not arguments.startswith('['):
        bare = run([reelwright, name])
        tap.ok(bare.returncode == 2 and one_line(bare.stderr) and not bare.stdout,
               f'{name}: no arguments is one line and exit 2', bare.stdout + bare.stderr)
    if '...' not in arguments:
        many = run([reelwright, name, *['/nonexistent/x'] * 9])
        tap.ok(many.returncode == 2 and one_line(many.stderr) and not many.stdout,
               f'{name}: too many arguments is one line and exit 2', many.stdout + many.stderr)

    page = os.path.join(ROOT, f'docs/man/{name}.md')
    if not tap.ok(os.path.exists(page), f'docs/man/{name}.md exists'):
        return
    with open(page, encoding='utf-8') as file:
        text = file.read()
    tap.ok(text.startswith(f'# reelwright {name}\n'), f'docs/man/{name}.md opens with its name',
           text.split('\n', 1)[0])
    told, written = options_of_help(help_.stdout), options_of_page(text)
    tap.ok(told == written, f'docs/man/{name}.md names the options of --help',
           f'only in --help: {sorted(told - written)}\nonly on the page: {sorted(written - told)}')


def main():
    tap = Tap()
    reelwright = sys.argv[1]
    names = commands(reelwright)
    tap.ok('plan' in names, 'reelwright --help lists commands', names)
    tap.equal(len(names), len(set(names)), 'each command is listed once')

    for arguments, code in ((['--help'], 0), (['--version'], 0), ([], 2), (['no-such-command'], 2)):
        done = run([reelwright, *arguments])
        tap.equal(done.returncode, code, f'reelwright {" ".join(arguments)} exits {code}')
    for name in names:
        check_command(tap, reelwright, name)

    pages = {name[:-3] for name in os.listdir(os.path.join(ROOT, 'docs/man'))
             if name.endswith('.md')}
    tap.ok(pages <= set(names), 'every page in docs/man belongs to a command',
           sorted(pages - set(names)))
    with open(os.path.join(ROOT, 'README.md'), encoding='utf-8') as file:
        listed = re.findall(r'^\| \[`(\w+)`\]\(docs/man/\1\.md\)', file.read(), re.MULTILINE)
    tap.equal(sorted(listed), sorted(names), 'the table of the README lists every command')
    tap.done()


if __name__ == '__main__':
    main()
