# Sourced by run and installed/run: as_root, needs PROGRAM:PACKAGE..., and kernel, which unpacks Debian's kernel and names its
# folder, package and version. The package is never installed; it is kept for the next run.
PATH="$PATH:/usr/sbin:/sbin"
as_root() { if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi; }

needs() {
	local missing=() need
	for need in "$@"; do
		command -v "${need%%:*}" >/dev/null || missing+=("${need#*:}")
	done
	if [ "${#missing[@]}" -gt 0 ] || ! apt-cache show linux-image-amd64 >/dev/null 2>&1; then
		as_root apt-get update -q
	fi
	if [ "${#missing[@]}" -gt 0 ]; then
		as_root apt-get install -yq --no-install-recommends "${missing[@]}"
	fi
}

kernel() {
	package="$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image-/{print $2; exit}')"
	kernel="${XDG_CACHE_HOME:-$HOME/.cache}/drywarden-vmtest/$package"
	if [ ! -e "$kernel/complete" ]; then
		rm -rf "$kernel"
		mkdir -p "$kernel"
		(cd "$kernel" && apt-get download -q "$package" && dpkg-deb -x ./*.deb . && rm -f ./*.deb)
		touch "$kernel/complete"
	fi
	version="$(ls "$kernel/lib/modules")"
	depmod -b "$kernel" "$version"
}

# modules NAME... prints the files of modules and of all that they need, in the order of loading.
modules() {
	for module in "$@"; do
		modprobe -d "$kernel" -S "$version" --show-depends "$module"
	done | awk '$1 == "insmod" && !seen[$2]++ {print $2}'
}

# unpack FILE TO copies a module; the kernel takes it without a compression.
unpack() {
	case "$1" in
	*.xz) xz -dc "$1" >"${2%.xz}" ;;
	*) cp "$1" "$2" ;;
	esac
}
