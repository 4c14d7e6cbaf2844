
# ---- all of it, in its order ------------------------------------------------------------------------------------

only_named_accounts() {
    title "accounts that were named"
    for wanted_account in $accounts_as_then; do
        here_line=$(getent passwd "$wanted_account")
        then_line=$(awk -F: -v name="$wanted_account" '$1 == name { print; exit }' "$work/passwd")
        if [ -z "$here_line" ] || [ -z "$then_line" ]; then
            leave "there is no account $wanted_account, here or then"
            continue
        fi
        printf '%s\n' "$then_line" >"$work/one"
        while IFS=: read -r name _ uid gid comment home shell; do compare_account; done <"$work/one"
    done
}

: >"$work/new-accounts"
if wants sources; then section_sources; fi
if wants accounts; then section_accounts; elif [ -n "$accounts_as_then" ]; then only_named_accounts; fi
if wants packages; then section_packages; fi
if wants units; then section_units; fi
if wants crontabs; then section_crontabs; fi
if wants identity; then section_identity; fi
if [ -n "$puts" ]; then section_puts; fi
if [ $host_keys = yes ] || [ $all = yes ]; then section_host_keys; fi
if [ $all = yes ]; then
    show_rest
    show_mounts
fi

title "in short"
if [ $doing = no ]; then
    say "$to_do to do, $left left to you; nothing was changed"
    [ $to_do -eq 0 ] || say "sh apply --do does it"
else
    say "$done_count done, $failed failed, $left left to you"
    [ ! -d "$aside" ] || say "what was written over is kept in $aside"
fi
[ $failed -eq 0 ]
