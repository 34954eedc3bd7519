// Holds a file open as most programs of Windows do, until its input ends: others
// may read it if the second argument says so, but not change, rename or replace it.
#include <stdio.h>
#include <windows.h>

int wmain(int argc, wchar_t **argv)
{
    HANDLE h = CreateFileW(argv[1], GENERIC_READ, argc > 2 ? FILE_SHARE_READ : 0, NULL, OPEN_EXISTING, 0, NULL);
    if (h == INVALID_HANDLE_VALUE)
        return 1;
    puts("held");
    fflush(stdout);
    while (getchar() != EOF)
        ;
    return 0;
}
