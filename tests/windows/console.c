/* A console without a window, with a program in it, to which happens what a user does there.

   console CODE_PAGE COMMAND_LINE

   A line of letters on standard input says what: c Ctrl-C, b Ctrl-Break, x the console is closed,
   l the user logs off.  The program's own standard output and error are this one's; once it has
   ended, "ended CODE" is written behind them.

   Wine 8.0 sends no Ctrl-Break and closes no such console, so that these call the routine in
   kernelbase that Windows and Wine call, on a new thread of the program, as they do.  Behind x and
   l the program is ended when the routine has returned, as Windows does it. */

#include <stdio.h>
#include <string.h>
#include <windows.h>

#define LONGEST 100000 /* ms, on a busy machine; Windows gives 5 s */
#define KILLED 0xC000013A /* STATUS_CONTROL_C_EXIT */

static BOOL WINAPI stay(DWORD event) {
    (void)event;
    return TRUE;
}

static int start(char *line, DWORD flags, HANDLE input, PROCESS_INFORMATION *started) {
    STARTUPINFOA how = {.cb = sizeof how, .dwFlags = STARTF_USESTDHANDLES};
    how.hStdInput = input;
    how.hStdOutput = GetStdHandle(STD_OUTPUT_HANDLE);
    how.hStdError = GetStdHandle(STD_ERROR_HANDLE);
    return CreateProcessA(NULL, line, NULL, NULL, TRUE, flags, NULL, NULL, &how, started);
}

static DWORD code_of(HANDLE what, BOOL(WINAPI *get)(HANDLE, DWORD *)) {
    DWORD code = 0;
    if (WaitForSingleObject(what, LONGEST) != WAIT_OBJECT_0)
        TerminateProcess(GetCurrentProcess(), 4); /* it hangs */
    get(what, &code);
    return code;
}

static void tell(HANDLE process, DWORD event) {
    void *routine = (void *)GetProcAddress(GetModuleHandleA("kernelbase"), "CtrlRoutine");
    HANDLE thread = CreateRemoteThread(process, NULL, 0, (LPTHREAD_START_ROUTINE)routine,
                                       (void *)(ULONG_PTR)event, 0, NULL);
    if (event == CTRL_BREAK_EVENT)
        return;
    /* 1 is what it returns; a thread that ends with its process has the process's code */
    if (code_of(thread, GetExitCodeThread) == 1)
        TerminateProcess(process, KILLED);
}

int main(int count, char **words) {
    PROCESS_INFORMATION child;
    HANDLE theirs, ours;
    char line[4096];
    int letter;
    if (count == 3) { /* again, in the console */
        snprintf(line, sizeof line, "\"%s\" %s \"%s\" there", words[0], words[1], words[2]);
        if (!start(line, CREATE_NO_WINDOW, GetStdHandle(STD_INPUT_HANDLE), &child))
            return 2;
        return (int)code_of(child.hProcess, GetExitCodeProcess);
    }
    SECURITY_ATTRIBUTES inherited = {.nLength = sizeof inherited, .bInheritHandle = TRUE};
    SetConsoleCtrlHandler(stay, TRUE);
    if (!SetConsoleOutputCP((UINT)strtoul(words[1], NULL, 10)) ||
        !CreatePipe(&theirs, &ours, &inherited, 0) ||
        !SetHandleInformation(ours, HANDLE_FLAG_INHERIT, 0) || !start(words[2], 0, theirs, &child))
        return 3;
    while ((letter = getchar()) != EOF && letter != '\n') {
        if (letter == 'c')
            GenerateConsoleCtrlEvent(CTRL_C_EVENT, 0);
        if (letter == 'b')
            tell(child.hProcess, CTRL_BREAK_EVENT);
        if (letter == 'x')
            tell(child.hProcess, CTRL_CLOSE_EVENT);
        if (letter == 'l')
            tell(child.hProcess, CTRL_LOGOFF_EVENT);
    }
    if (letter == EOF)
        TerminateProcess(child.hProcess, KILLED);
    printf("ended %lu\n", code_of(child.hProcess, GetExitCodeProcess));
    return 0;
}
