/* A plugin of the emulator: how often each instruction of the image's flash was executed.
 *
 * Debian's qemu takes plugins and ships no header for them: the prototypes are those of its documentation ("QEMU TCG
 * Plugins", version 1 of the interface). At the end it writes a line for each address that was executed: address, count.
 */
#include <inttypes.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

typedef uint64_t qemu_plugin_id_t;
typedef struct qemu_info_t qemu_info_t;
struct qemu_plugin_tb;
struct qemu_plugin_insn;
enum qemu_plugin_op { QEMU_PLUGIN_INLINE_ADD_U64 };

size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *tb);
struct qemu_plugin_insn *qemu_plugin_tb_get_insn(const struct qemu_plugin_tb *tb, size_t idx);
uint64_t qemu_plugin_insn_vaddr(const struct qemu_plugin_insn *insn);
void qemu_plugin_register_vcpu_tb_trans_cb(qemu_plugin_id_t id, void (*cb)(qemu_plugin_id_t, struct qemu_plugin_tb *));
void qemu_plugin_register_vcpu_insn_exec_inline(struct qemu_plugin_insn *insn, enum qemu_plugin_op op, void *ptr, uint64_t imm);
void qemu_plugin_register_atexit_cb(qemu_plugin_id_t id, void (*cb)(qemu_plugin_id_t, void *), void *userdata);

int qemu_plugin_version = 1;

/* Flash begins at 0; an instruction has two bytes at least. */
#define PLACES (1u << 16)
static uint64_t counts[PLACES];
static char path[4096] = "counts";

static void translated(qemu_plugin_id_t id, struct qemu_plugin_tb *tb)
{
    (void)id;
    for (size_t i = 0; i < qemu_plugin_tb_n_insns(tb); i++) {
        struct qemu_plugin_insn *insn = qemu_plugin_tb_get_insn(tb, i);
        uint64_t place = qemu_plugin_insn_vaddr(insn) / 2;
        if (place < PLACES)
            qemu_plugin_register_vcpu_insn_exec_inline(insn, QEMU_PLUGIN_INLINE_ADD_U64, &counts[place], 1);
    }
}

static void ended(qemu_plugin_id_t id, void *unused)
{
    (void)id;
    (void)unused;
    FILE *file = fopen(path, "w");
    if (!file)
        return;
    for (uint32_t place = 0; place < PLACES; place++)
        if (counts[place])
            fprintf(file, "%" PRIu32 " %" PRIu64 "\n", place * 2, counts[place]);
    fclose(file);
}

int qemu_plugin_install(qemu_plugin_id_t id, const qemu_info_t *info, int argc, char **argv)
{
    (void)info;
    for (int i = 0; i < argc; i++)
        if (strncmp(argv[i], "out=", 4) == 0)
            snprintf(path, sizeof path, "%s", argv[i] + 4);
    qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
    qemu_plugin_register_atexit_cb(id, ended, NULL);
    return 0;
}
