// Stands in for the browser: notes the address that it is given, and whether the
// program that started it lets go of its console.
#include <stdio.h>
#include <windows.h>
#include <tlhelp32.h>

static DWORD parent(void)
{
    PROCESSENTRY32W p = {sizeof p};
    HANDLE all = CreateToolhelp32Snapshot(TH32CS_SNAPPROCESS, 0);
    for (BOOL is = Process32FirstW(all, &p); is; is = Process32NextW(all, &p))
        if (p.th32ProcessID == GetCurrentProcessId())
            return p.th32ParentProcessID;
    return 0;
}

static void note(const wchar_t *path, const wchar_t *text)
{
    FILE *f = _wfopen(path, L"w");
    fprintf(f, "%ls\n", text);
    fclose(f);
}

int wmain(int argc, wchar_t **argv)
{
    DWORD program = parent();
    FreeConsole();
    note(L"C:\\address.txt", argv[argc - 1]);
    for (int i = 0; i < 100; i++) {
        if (!AttachConsole(program) && GetLastError() == ERROR_INVALID_HANDLE) {
            note(L"C:\\console.txt", L"none");
            return 0;
        }
        FreeConsole();
        Sleep(100);
    }
    note(L"C:\\console.txt", L"still open");
    return 0;
}
