#!/bin/sh
# Makes a freshly installed Debian the server again that this folder tells of. It needs nothing but this folder
# and a Debian of the same release, and can be run as often as you like: what is there already is left alone.
#
#   sh apply                    shows what would be done, and changes nothing
#   sh apply --do               does it
#   sh apply --do SECTION...    does these sections only: sources accounts packages units crontabs identity
#   sh apply --put PATH         shows how this file or folder of then differs from what is here now
#   sh apply --do --put PATH    puts it back: /etc/nginx, /usr/local/etc/glaze.conf, /root/.ssh/authorized_keys
#   sh apply --account NAME     gives an account that is here already the password, shell, home and name of then
#   sh apply --host-keys        gives the server its ssh host keys of then
#   sh apply --other-release    goes on although this is another release of Debian, or another architecture
#
# The last three, and --put, can be given together and several times; without --do all of them only show.
# Nothing is ever removed. What is written over is kept first, below /var/backups. Nothing here puts back /etc as a
# whole or writes what mounts, disks, the boot loader, the network or the firewall are set up with, nor enables or masks
# a unit of theirs or of ssh: those are shown, or found in the files beside this one.

set -u
umask 077
export LC_ALL=C DEBIAN_FRONTEND=noninteractive

here=$(cd "$(dirname "$0")" && pwd) || exit 2
doing=no other_release=no host_keys=no
sections='' puts='' accounts_as_then=''
to_do=0 done_count=0 failed=0 left=0
newline='
'
backslash=$(printf '\134')

usage() {
    sed -n '2,/^$/s/^# \{0,1\}//p' "$here/apply"
}

wrong() {
    printf 'apply: %s\n' "$1" >&2
    exit 2
}

while [ $# -gt 0 ]; do
    case $1 in
        --do) doing=yes ;;
        --dry-run) doing=no ;;
        --other-release) other_release=yes ;;
        --host-keys) host_keys=yes ;;
        --put | --etc)
            [ $# -gt 1 ] || wrong "$1 wants a path behind it"
            puts="$puts$2$newline"
            shift
            ;;
        --account)
            [ $# -gt 1 ] || wrong "--account wants a name behind it"
            accounts_as_then="$accounts_as_then $2 "
            shift
            ;;
        sources | accounts | packages | units | crontabs | identity) sections="$sections $1 " ;;
        -h | --help)
            usage
            exit 0
            ;;
        *) wrong "\`$1\` is not known here; sh apply --help" ;;
    esac
    shift
done
# without a section they are all meant, unless something else was asked for by name
if [ -z "$sections$puts$accounts_as_then" ] && [ $host_keys = no ]; then
    sections=' sources accounts packages units crontabs identity '
    all=yes
else
    all=no
fi

wants() {
    case $sections in *" $1 "*) return 0 ;; esac
    return 1
}

# ---- how it speaks ----------------------------------------------------------------------------------------------

title() {
    printf '\n== %s\n' "$1"
}

say() {
    printf '   %s\n' "$1"
}

# What is not done by itself, and why.
leave() {
    left=$((left + 1))
    printf ' ! %s\n' "$1"
}

# act WORDS COMMAND...: does the command, or only says so.
act() {
    words=$1
    shift
    if [ $doing = no ]; then
        to_do=$((to_do + 1))
        printf ' + would %s\n' "$words"
        return 0
    fi
    if "$@" </dev/null >"$work/said" 2>&1; then
        done_count=$((done_count + 1))
        printf ' + %s\n' "$words"
        return 0
    fi
    failed=$((failed + 1))
    printf ' ! FAILED: %s\n' "$words"
    tail -n 12 "$work/said" | sed 's/^/     /'
    return 1
}

# ---- what was kept, and what is here ----------------------------------------------------------------------------

[ "$(id -u)" -eq 0 ] || wrong "only root can read and write what is looked at here"
[ -r "$here/files.tar" ] || wrong "$here/files.tar is not here: this script belongs into the unpacked folder"
work=$(mktemp -d "$here/working.XXXXXX") || exit 2
trap 'rm -rf "$work"' EXIT
trap 'exit 1' HUP INT TERM
aside=/var/backups/apply-$(date -u +%Y%m%dT%H%M%SZ)

# The names in files.tar, without a leading slash; one a line. Names with control characters or backslashes are told.
tar --list --file="$here/files.tar" --quoting-style=escape >"$work/names" 2>/dev/null || wrong "files.tar is damaged"
if grep -qF "$backslash" "$work/names"; then
    say "names with unusual characters in files.tar are left out here:"
    grep -F "$backslash" "$work/names" | sed 's/^/     /'
    grep -vF "$backslash" "$work/names" >"$work/names-2"
    mv "$work/names-2" "$work/names"
fi

# `MODE NAME` of each, folders without the slash behind them.
tar --list --verbose --file="$here/files.tar" --quoting-style=escape 2>/dev/null |
    sed -E -e 's,^([^ ]+) +[^ ]+ +[^ ]+ +[^ ]+ +[^ ]+ ,\1 ,' -e '/^l/s, -> .*,,' -e '/^h/s, link to .*,,' -e 's,/$,,' \
        >"$work/modes"

# The content of a file of then.
then_file() {
    tar --extract --to-stdout --file="$here/files.tar" -- "$1" 2>/dev/null
}

# One of the texts beside this script; nothing where it was not kept.
kept() {
    if [ -r "$here/$1" ]; then cat "$here/$1"; fi
}

for file in passwd group shadow gshadow subuid subgid; do
    then_file "etc/$file" >"$work/$file"
done

# differences NAMES: of the names in this file, those that are not here as they were then, each with a word before it:
# `missing` or `differs`. By content, kind, mode and owner; by the names of owners, where an account has that name.
differences() {
    [ -s "$1" ] || return 0
    tar --diff --file="$here/files.tar" --directory=/ --no-recursion --quoting-style=escape \
        --verbatim-files-from --files-from="$1" >"$work/diff" 2>"$work/diff-2"
    # the names come back as they were given: what is left when the known words are taken off
    sed -n \
        -e 's/: Mod time differs$//;t' \
        -e 's/: \(Contents\|Size\|Mode\|Uid\|Gid\|Symlink\|File type\) \(differ\|differs\)$//;t hit' \
        -e 's/: Not linked to .*$//;t hit' -e b -e ':hit' -e 's/^/differs /p' "$work/diff" | sort -u
    sed -n 's/^tar: \(.*\): Warning: Cannot stat: No such file or directory$/missing \1/p' "$work/diff-2" | sort -u
}

# Keeps what is here now, in a folder of its own below /var/backups, which only root can read.
keep_aside() {
    [ -e "/$1" ] || [ -L "/$1" ] || return 0
    mkdir -p "$aside" || return 1
    # the folder that a name leads through is kept as it is
    tar --create --file=- --directory=/ --xattrs '--xattrs-include=*' --no-recursion -- "$1" |
        tar --extract --file=- --directory="$aside" --xattrs '--xattrs-include=*' --same-owner --same-permissions
}

# Brings one file, link or folder (without what is in it) of then to its place.
bring() {
    tar --extract --file="$here/files.tar" --directory=/ --no-recursion --xattrs '--xattrs-include=*' \
        --same-owner --same-permissions -- "$1"
}

keep_and_bring() {
    if [ ! -d "/$1" ] || [ -L "/$1" ]; then keep_aside "$1" || return 1; fi
    bring "$1"
}

# The package that a path belongs to; nothing when it is of none.
package_of() {
    dpkg-query --search "/$1" 2>/dev/null | sed -n '1s/: .*//p'
}
