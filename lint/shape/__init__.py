"""Operations, one file each: every one makes a new part and promises what it will not change."""
