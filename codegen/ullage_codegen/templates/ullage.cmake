# Writes the C header of a spec as a part of the build, with CMake 3.13 or newer.
#
#   include(ullage.cmake)
#   add_executable(node node.c)
#   ullage_header(node spec/orchard.toml)
#
# ullage_header(TARGET SPEC [HEADER NAME.h] [OLDER SPEC] [SELF_TEST])
#   The header is written into the build folder again whenever SPEC has changed, before TARGET is compiled, and TARGET
#   finds it with #include "NAME.h". It is called after the protocol; HEADER says so where the spec's file has another
#   name. TARGET is compiled in the same folder of the project.
#   OLDER: a spec of another revision, which the decoder shall read too.
#   SELF_TEST: also makes the program TARGET_self_test, which tries the header, and a test of that name for ctest.
#
# ULLAGE_EXECUTABLE (a cache variable) names the tool where it is not on the PATH.
#
# Written by ullage @VERSION@ from its own rules: ullage emit rules -o DIR

if(CMAKE_VERSION VERSION_LESS 3.13)
  message(FATAL_ERROR "ullage.cmake needs CMake 3.13 or newer; this is ${CMAKE_VERSION}")
endif()
cmake_policy(VERSION 3.13)

# The second life of this file: cmake -P runs it in the build. What was there stays until all is well.
if(ULLAGE_WRITES_INTO)
  set(new "${ULLAGE_WRITES_INTO}/new")
  file(REMOVE_RECURSE "${new}")
  file(MAKE_DIRECTORY "${new}")
  set(options)
  if(ULLAGE_OLDER)
    list(APPEND options --older "${ULLAGE_OLDER}")
  endif()
  if(ULLAGE_SELF_TEST)
    list(APPEND options --self-test)
  endif()
  execute_process(
    COMMAND "${ULLAGE_EXECUTABLE}" emit c "${ULLAGE_SPEC}" -o "${new}" ${options}
    RESULT_VARIABLE result OUTPUT_VARIABLE said)
  if(NOT result EQUAL 0)
    file(REMOVE_RECURSE "${new}")
    message(FATAL_ERROR "${ULLAGE_SPEC}: no header was written (${ULLAGE_EXECUTABLE}: ${result})")
  endif()
  if(NOT EXISTS "${new}/${ULLAGE_HEADER}")
    file(GLOB written RELATIVE "${new}" "${new}/*.h")
    file(REMOVE_RECURSE "${new}")
    message(FATAL_ERROR "${ULLAGE_SPEC}: its header is ${written}, not ${ULLAGE_HEADER}: say HEADER ${written}")
  endif()
  file(GLOB written RELATIVE "${new}" "${new}/*")
  foreach(name IN LISTS written)
    file(RENAME "${new}/${name}" "${ULLAGE_WRITES_INTO}/${name}")
  endforeach()
  file(REMOVE_RECURSE "${new}")
  return()
endif()

set(ULLAGE_RULES "${CMAKE_CURRENT_LIST_FILE}" CACHE INTERNAL "this file")

function(ullage_header target spec)
  cmake_parse_arguments(PARSE_ARGV 2 arg "SELF_TEST" "HEADER;OLDER" "")
  if(arg_UNPARSED_ARGUMENTS OR arg_KEYWORDS_MISSING_VALUES)
    message(FATAL_ERROR "ullage_header: \"${arg_UNPARSED_ARGUMENTS}${arg_KEYWORDS_MISSING_VALUES}\" is not understood; "
      "ullage_header(TARGET SPEC [HEADER NAME.h] [OLDER SPEC] [SELF_TEST])")
  endif()
  _ullage_check_target(${target})
  _ullage_find_tool()
  _ullage_find_spec("${spec}" spec)
  if(arg_OLDER)
    _ullage_find_spec("${arg_OLDER}" arg_OLDER)
  endif()
  if(NOT arg_HEADER)
    get_filename_component(arg_HEADER "${spec}" NAME_WE)
    string(APPEND arg_HEADER ".h")
  endif()

  _ullage_rule(${target} "${spec}" "${arg_HEADER}" "${arg_OLDER}" "")
  if(arg_SELF_TEST)
    # A folder of its own: two targets must not write the same file at once.
    get_filename_component(name "${arg_HEADER}" NAME_WE)
    set(program "${CMAKE_CURRENT_BINARY_DIR}/ullage_headers/${target}_self_test/${name}_self_test.c")
    add_executable(${target}_self_test "${program}")
    _ullage_rule(${target}_self_test "${spec}" "${arg_HEADER}" "${arg_OLDER}" "${program}")
    add_test(NAME ${target}_self_test COMMAND ${target}_self_test)
  endif()
endfunction()

function(_ullage_rule target spec header older program)
  set(folder "${CMAKE_CURRENT_BINARY_DIR}/ullage_headers/${target}")
  file(MAKE_DIRECTORY "${folder}")
  add_custom_command(
    OUTPUT "${folder}/${header}" ${program}
    COMMAND "${CMAKE_COMMAND}" "-DULLAGE_WRITES_INTO=${folder}" "-DULLAGE_EXECUTABLE=${ULLAGE_EXECUTABLE}"
      "-DULLAGE_SPEC=${spec}" "-DULLAGE_HEADER=${header}" "-DULLAGE_OLDER=${older}" "-DULLAGE_SELF_TEST=${program}"
      -P "${ULLAGE_RULES}"
    DEPENDS "${spec}" ${older} "${ULLAGE_RULES}" "${ULLAGE_EXECUTABLE}"
    COMMENT "Writing ${header} from ${spec}"
    VERBATIM)
  target_sources(${target} PRIVATE "${folder}/${header}")
  target_include_directories(${target} PUBLIC "$<BUILD_INTERFACE:${folder}>")
endfunction()

function(_ullage_check_target target)
  if(NOT TARGET ${target})
    message(FATAL_ERROR "ullage_header: there is no target \"${target}\"; add_executable or add_library comes first")
  endif()
  get_target_property(type ${target} TYPE)
  get_target_property(alias ${target} ALIASED_TARGET)
  if(type STREQUAL "INTERFACE_LIBRARY" OR alias)
    message(FATAL_ERROR "ullage_header: \"${target}\" is not compiled itself; give the target that is")
  endif()
  get_target_property(folder ${target} SOURCE_DIR)
  if(NOT folder STREQUAL CMAKE_CURRENT_SOURCE_DIR)
    message(FATAL_ERROR "ullage_header: \"${target}\" is made in ${folder}; call ullage_header there")
  endif()
endfunction()

function(_ullage_find_tool)
  find_program(ULLAGE_EXECUTABLE ullage DOC "The command ullage")
  if(NOT ULLAGE_EXECUTABLE OR NOT EXISTS "${ULLAGE_EXECUTABLE}")
    message(FATAL_ERROR "The command ullage was not found (ULLAGE_EXECUTABLE is \"${ULLAGE_EXECUTABLE}\"): "
      "install it, or say where it is with -DULLAGE_EXECUTABLE=FILE")
  endif()
endfunction()

function(_ullage_find_spec spec result)
  get_filename_component(path "${spec}" ABSOLUTE)
  if(NOT EXISTS "${path}" OR IS_DIRECTORY "${path}")
    message(FATAL_ERROR "ullage_header: ${path}: there is no such file")
  endif()
  set(${result} "${path}" PARENT_SCOPE)
endfunction()
