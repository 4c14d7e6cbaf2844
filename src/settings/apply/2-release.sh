
# ---- is this a Debian of the same release? ----------------------------------------------------------------------

release_of() {
    sed -n 's/^\(ID\|VERSION_CODENAME\)=//p' | tr -d '"' | sort | tr '\n' ' '
}

title "this system"
release_then=$(kept system/os-release.txt | release_of)
release_now=$(release_of </etc/os-release)
arch_then=$(kept packages/architecture.txt)
arch_now=$(dpkg --print-architecture)
say "then: $release_then$arch_then; now: $release_now$arch_now"
if [ "$release_then$arch_then" != "$release_now$arch_now" ]; then
    leave "this is not what the server was: packages may not fit, and settings mean something else"
    if [ $doing = yes ] && [ $other_release = no ]; then
        wrong "nothing was done; install the release of then, or say --other-release"
    fi
fi
mode=$(stat --format=%a "$here")
case $mode in
    *00) ;;
    *) leave "CAUTION: others can look into $here, which holds passwords and keys: chmod 700 $here" ;;
esac
