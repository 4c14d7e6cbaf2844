# ---- single accounts --------------------------------------------------------------------------------------------

make_group() {
    groupadd --gid "$2" "$1" || return 1
    hash=$(field gshadow "$1" 2)
    case $hash in
        '' | '!'* | '*') ;;
        # through a pipe: arguments of programs can be seen by others
        *) printf '%s:%s\n' "$1" "$hash" | chgpasswd --encrypted ;;
    esac
}

# Whether the days of a line of shadow are numbers, or none.
days_can_be_read() {
    for number in 3 4 5 6 7 8; do
        value=$(field shadow "$1" $number)
        if [ -n "$value" ] && [ "$value" != -1 ] && ! is_number "$value"; then return 1; fi
    done
}

# Whether nobody can log in with a password of then: it is locked, or its time is over.
was_shut() {
    case $(field shadow "$1" 2) in '!'* | '*'*) return 0 ;; esac
    days_can_be_read "$1" || return 1
    today=$(($(date +%s) / 86400))
    last=$(field shadow "$1" 3) most=$(field shadow "$1" 5) more=$(field shadow "$1" 7) ends=$(field shadow "$1" 8)
    if is_number "$ends" && [ "$ends" -le "$today" ]; then return 0; fi
    is_number "$last" && is_number "$most" && is_number "$more" && [ $((last + most + more)) -lt "$today" ]
}

# Whether an account has a password here.
is_usable() {
    case $(getent shadow "$1" | cut -d: -f2) in '' | '!'* | '*'*) return 1 ;; esac
}

# The password of then, as its hash, and how long it lasts: shadow(5).
set_password() {
    line=$(awk -F: -v name="$1" '$1 == name { print; exit }' "$work/shadow")
    [ -n "$line" ] || return 0
    hash=$(printf '%s\n' "$line" | cut -d: -f2)
    # an account that anybody can enter is not made so again by itself: section_accounts tells of it
    if [ -n "$hash" ]; then
        printf '%s:%s\n' "$1" "$hash" | chpasswd --encrypted || return 1
    fi
    days_can_be_read "$1" || return 0
    day() {
        value=$(printf '%s\n' "$line" | cut -d: -f"$1")
        printf '%s' "${value:--1}"
    }
    chage --lastday "$(day 3)" --mindays "$(day 4)" --maxdays "$(day 5)" --warndays "$(day 6)" \
        --inactive "$(day 7)" --expiredate "$(day 8)" "$1"
}

make_account() {
    name=$1 uid=$2 group=$3 comment=$4 home=$5 shell=$6
    set -- --uid "$uid" --gid "$group" --comment "$comment" --home-dir "$home" --shell "$shell" \
        --no-create-home --no-user-group --no-log-init
    if [ "$uid" -lt 1000 ]; then
        set -- "$@" --system
    else
        # numbers for containers are given below, those of then
        set -- "$@" --key SUB_UID_COUNT=0 --key SUB_GID_COUNT=0
    fi
    useradd "$@" -- "$name" && set_password "$name"
}

# set_account NAME COMMENT HOME SHELL PASSWORD, which is `then`, or `here` to leave it
set_account() {
    usermod --comment "$2" --home "$3" --shell "$4" "$1" || return 1
    [ "$5" = here ] || set_password "$1"
}

# tell_broken FILE FIELD...: of lines in which one of these fields, or as many in all, cannot be right.
tell_broken() {
    file=$1 fields=$2 numbers=$3
    awk -F: -v fields="$fields" -v numbers="$numbers" '
        /^[+-]/ || /^$/ { next }
        { bad = NF != fields || $1 !~ /^[A-Za-z0-9_][A-Za-z0-9_.-]*[$]?$/
          count = split(numbers, which, " ")
          for (i = 1; i <= count; i++) if ($which[i] !~ /^(0|[1-9][0-9]*)$/ || length($which[i]) > 10) bad = 1 }
        bad { print NR }' "$work/$file" >"$work/broken"
    while read -r number; do
        leave "line $number of /etc/$file of then is broken: left"
    done <"$work/broken"
    awk 'NR == FNR { broken[$1]; next } !(FNR in broken)' "$work/broken" "$work/$file" >"$work/whole"
    # where no line is broken, the first file is empty and awk takes the second for it
    if [ -s "$work/broken" ]; then mv "$work/whole" "$work/$file"; fi
}

make_home() {
    (umask 022 && mkdir -p "$4") && chown "$2:$3" "$4" && chmod "$1" "$4"
}

