/* Sums every number of a text of plain decimals, mapped into memory: scan FILE.
 *
 * The least that any import has to do: each byte is looked at once, each number becomes a double (digits as an
 * integer, then one division by a power of ten). No header is understood, nothing is checked or kept, no
 * exponents. Prints the count and the sum.
 */
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

static const double TENS[16] = {1e0, 1e1, 1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};

int main(int argc, char **argv) {
    struct stat info;
    int file = argc == 2 ? open(argv[1], O_RDONLY) : -1;
    if (file < 0 || fstat(file, &info) != 0 || info.st_size == 0) return 2;
    const char *at = mmap(NULL, (size_t)info.st_size, PROT_READ, MAP_PRIVATE, file, 0);
    if (at == MAP_FAILED) return 2;
    const char *end = at + info.st_size;
    uint64_t count = 0;
    double sum = 0.0;
    while (at < end && *at != '\n') at++;
    while (at < end) {
        uint64_t digits = 0;
        unsigned places = 0, any = 0, negative = 0;
        if (*at == '-') negative = 1, at++;
        for (; at < end && (unsigned)(*at - '0') < 10; at++) digits = digits * 10 + (uint64_t)(*at - '0'), any = 1;
        if (at < end && *at == '.')
            for (at++; at < end && (unsigned)(*at - '0') < 10; at++, places++)
                digits = digits * 10 + (uint64_t)(*at - '0'), any = 1;
        if (any) {
            double value = (double)digits / TENS[places & 15];
            sum += negative ? -value : value;
            count++;
        }
        at++;
    }
    printf("{\"numbers\": %llu, \"sum\": %.17g}\n", (unsigned long long)count, sum);
    return 0;
}
