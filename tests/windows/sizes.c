/* What the Win32 headers say of the structures that lowhalf reads: "structure field offset size". */
#include <windows.h>
#include <tlhelp32.h>
#include <stddef.h>
#include <stdio.h>

#define WHOLE(type) printf(#type " - %zu %zu\n", (size_t)0, sizeof(type))
#define FIELD(type, field) \
	printf(#type " " #field " %zu %zu\n", offsetof(type, field), sizeof(((type *)0)->field))
#define NUMBER(name) printf(#name " - %zu 0\n", (size_t)(name))

int main(void)
{
	WHOLE(MEMORY_BASIC_INFORMATION);
	FIELD(MEMORY_BASIC_INFORMATION, BaseAddress);
	FIELD(MEMORY_BASIC_INFORMATION, AllocationBase);
	FIELD(MEMORY_BASIC_INFORMATION, AllocationProtect);
	FIELD(MEMORY_BASIC_INFORMATION, RegionSize);
	FIELD(MEMORY_BASIC_INFORMATION, State);
	FIELD(MEMORY_BASIC_INFORMATION, Protect);
	FIELD(MEMORY_BASIC_INFORMATION, Type);
	WHOLE(PROCESSENTRY32W);
	FIELD(PROCESSENTRY32W, dwSize);
	FIELD(PROCESSENTRY32W, cntUsage);
	FIELD(PROCESSENTRY32W, th32ProcessID);
	FIELD(PROCESSENTRY32W, th32DefaultHeapID);
	FIELD(PROCESSENTRY32W, th32ModuleID);
	FIELD(PROCESSENTRY32W, cntThreads);
	FIELD(PROCESSENTRY32W, th32ParentProcessID);
	FIELD(PROCESSENTRY32W, pcPriClassBase);
	FIELD(PROCESSENTRY32W, dwFlags);
	FIELD(PROCESSENTRY32W, szExeFile);
	WHOLE(FILETIME);
	FIELD(FILETIME, dwLowDateTime);
	FIELD(FILETIME, dwHighDateTime);
	NUMBER(PROCESS_VM_READ | PROCESS_QUERY_INFORMATION);
	NUMBER(FILE_MAP_READ);
	NUMBER(TH32CS_SNAPPROCESS);
	NUMBER(STILL_ACTIVE);
	NUMBER(GENERIC_READ);
	NUMBER(FILE_SHARE_READ | FILE_SHARE_WRITE | FILE_SHARE_DELETE);
	NUMBER(OPEN_EXISTING);
	NUMBER(MEM_COMMIT);
	NUMBER(MEM_FREE);
	NUMBER(MEM_MAPPED);
	NUMBER(MEM_IMAGE);
	NUMBER(PAGE_GUARD);
	NUMBER(ERROR_INVALID_PARAMETER);
	NUMBER(ERROR_SHARING_VIOLATION);
	NUMBER(ERROR_TIMEOUT);
	return 0;
}
