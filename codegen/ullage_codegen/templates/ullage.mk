# Writes the C header of a spec as a part of the build, with GNU make 4.
#
#   include ullage.mk
#   build/node: node.c build/orchard.h
#   build/orchard.h: spec/orchard.toml
#   	$(ullage_header)
#
# The header is written again whenever the spec has changed. It is called after the protocol, so the target must be, too;
# its folder is made where there is none. Where spec and header stand in one folder under one name, no rule is needed.
#
#   ULLAGE        the command, where it is not on the PATH
#   ULLAGE_FLAGS  options of ullage emit c: --older SPEC, and --self-test, which writes build/orchard_self_test.c, too;
#                 for one header: build/orchard.h: ULLAGE_FLAGS = --older spec/orchard_1.toml
#
# Written by ullage @VERSION@ from its own rules: ullage emit rules -o DIR

ULLAGE ?= ullage

# All is written into a folder of its own first: what was there stays until all is well.
define ullage_header
@command -v $(firstword $(ULLAGE)) >/dev/null || { \
  echo "$(firstword $(ULLAGE)): not found; install it, or say where it is with make ULLAGE=FILE" >&2; exit 1; }
@rm -rf $@.new && mkdir -p $@.new
$(ULLAGE) emit c $< -o $@.new $(ULLAGE_FLAGS) >/dev/null || { rm -rf $@.new; exit 1; }
@test -f $@.new/$(@F) || { \
  echo "$<: its header is $$(cd $@.new && echo *.h), not $(@F)" >&2; rm -rf $@.new; exit 1; }
@mv -f $@.new/* $(@D) && rmdir $@.new
endef

%.h: %.toml
	$(ullage_header)
