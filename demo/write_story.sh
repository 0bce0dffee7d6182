#!/bin/sh
# Writes demo/STORY.md: what demo/story.sh prints.
set -eu
cd "$(dirname "$0")/.."
printed=$(COLUMNS=80 demo/story.sh 2>&1)
{
    printf '# Six weeks of a small trade\n\nWhat `demo/story.sh` prints; `demo/write_story.sh` writes it anew.\n\n```\n'
    printf '%s\n' "$printed" | sed -n '/^\$ compband/,$p'
    printf '```\n'
} >demo/STORY.md
