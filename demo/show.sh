# Shows a command as a user would type it, and runs it with $program; read by the other scripts.
compband() {
    printf '\n$ compband'
    for word in "$@"; do
        case $word in
        *[!A-Za-z0-9./=_-]*) printf ' "%s"' "$word" ;;
        *) printf ' %s' "$word" ;;
        esac
    done
    printf '\n'
    "$program" "$@"
}
