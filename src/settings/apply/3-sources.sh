
# ---- where packages come from -----------------------------------------------------------------------------------

section_sources() {
    title "package sources and their keys"
    grep -E '^etc/apt/(sources\.list|preferences|trusted\.gpg|auth\.conf|keyrings)|^usr/(local/)?share/keyrings/' \
        "$work/names" | grep -v '/$' >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    while read -r how name; do
        if [ "$how" = missing ]; then
            act "bring back /$name" bring "$name"
        elif [ -n "$(package_of "$name")" ]; then
            leave "/$name differs; it belongs to the package $(package_of "$name") and is left as it is"
        else
            act "bring back /$name, and keep what is there now" keep_and_bring "$name"
        fi
    done <"$work/differing"
    [ -s "$work/differing" ] || say "as they were"
}
