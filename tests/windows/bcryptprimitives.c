/* Stands in for a library that Wine 8.0 lacks: bytes at random, from the one that it has.
   ProcessPrng is documented by Microsoft ("ProcessPrng function"), SystemFunction036 as
   RtlGenRandom (ntsecapi.h). */

#include <windows.h>

BOOLEAN NTAPI SystemFunction036(PVOID buffer, ULONG size);

__declspec(dllexport) BOOL WINAPI ProcessPrng(PBYTE buffer, SIZE_T size)
{
    while (size > 0) {
        ULONG part = size > 0x10000000 ? 0x10000000 : (ULONG)size;
        if (!SystemFunction036(buffer, part))
            return FALSE;
        buffer += part;
        size -= part;
    }
    return TRUE;
}
